package forecast

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// A model that believes that one attempt in fifty is out, where two in five were, is not
// believed alone: what is stated follows the outcomes. Where it is right, it stays in
// force, and without outcomes the weights stay.
func TestMovesThatSurpriseTheModelWeighItsChance(t *testing.T) {
	const believed, worth = 0.02, 1.0 / 12
	stated := func(own float64, everyFails int) float64 {
		said := model.OutMembers{believed, 0.05, 0.15, own}
		var moves []pastMove
		for i := range 100 {
			moves = append(moves, pastMove{fails: said, failed: i%everyFails == 0})
		}
		sum := 0.0
		for i, w := range stack(outPrior(), outcomes(moves)) {
			sum += w * said[i]
		}
		return sum
	}
	assert.InDelta(t, 0.4, stated(0.45, 2), 0.1)
	assert.Less(t, stated(0.05, 50), worth)
	assert.InDeltaSlice(t, outPrior(), stack(outPrior(), outcomes(nil)), 1e-6)
}

// Only first attempts in other air on the same pair are moves that say something.
func TestMovesAreFirstAttemptsInOtherAir(t *testing.T) {
	h := model.History{Machine: "K-07"}
	day := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	attempt := func(pair int, thin float64, first, passed bool) {
		day = day.AddDate(0, 0, 1)
		h.Events = append(h.Events, model.Event{
			Kind: model.Attempt, Time: day, Pair: pair, Arcs: float64(30 * len(h.Events)), Step: 30, NewSession: first, Tries: 1, Passed: passed,
			Melt: drift.Some(0.0), Setting: drift.Some(0.0), Next: drift.Some(0.0), Air: [3]float64{thin},
		})
	}
	attempt(0, 0, true, true)
	attempt(0, 1, true, true)  // the same air
	attempt(0, 5, true, false) // up a mountain
	attempt(0, 5, false, true)
	attempt(1, 0, true, true) // down again, with a new pair
	p := model.Prior()
	moves := movesOfOne(&p, &h)
	require.Len(t, moves, 1)
	assert.True(t, moves[0].failed)
	assert.Equal(t, model.Full, moves[0].grade)
	assert.Greater(t, moves[0].fails[2], moves[0].fails[0], "more doubt, more fails")
	assert.Equal(t, share{1, 4}, firstsOf([]model.History{h}))
}
