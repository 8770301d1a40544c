package forecast

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// Where nobody has seen a pair fail yet, what is usual still limits how long an old one is
// taken to last; an age that no pair reaches says nothing.
func TestWhatIsUsualCountsBeforeTheFirstFailure(t *testing.T) {
	b := usualLives().Believe(lifeLogLik([]fit.Life{{Length: 900}, {Length: 1500}}))
	fresh, old := believed(b, 50), believed(b, 3000)
	require.Len(t, fresh, members)
	assert.True(t, slices.IsSorted(fresh))
	assert.InDelta(t, 1-b.Survival(2050)/b.Survival(50), float64(before(fresh, 2000))/members, 0.02, "two members")
	assert.Less(t, old[members/2], fresh[members/2])
	assert.Less(t, old[members/2], 3000.0)
	assert.Nil(t, believed(b, 1e7))
}

func before(members []float64, arcs float64) int {
	n, _ := slices.BinarySearch(members, arcs)
	return n
}

// One machine's forecasts of the past are made without its own lives, and the lives of
// other kinds count half.
func TestBeliefsWithoutTheMachineItself(t *testing.T) {
	failing := func(machine string, arcs float64) model.History {
		h := model.History{Machine: machine, AttemptLimit: 1}
		h.Events = []model.Event{
			{Kind: model.Replaced, Pair: 1}, {Kind: model.Attempt, Pair: 1, Arcs: 10, NewSession: true, Tries: 1, Passed: true},
			{Kind: model.Attempt, Pair: 1, Arcs: arcs, NewSession: true, Tries: 1},
		}
		return h
	}
	histories := []model.History{failing("a", 800), failing("b", 1200)}
	other := []fit.Life{{Length: 4000, Ended: true}}
	e := lifeEvidence{own: lifeLogLik(livesOf(histories, -1)), others: lifeLogLik(other)}
	want := func(lives ...fit.Life) fit.LifeBelief {
		return usualLives().Believe(lifeLogLik(append(lives, fit.Life{Length: 4000, Ended: true, Weight: othersCount})))
	}
	same := func(want, got fit.LifeBelief) {
		for _, age := range []float64{300, 1000, 3000} {
			assert.InDelta(t, want.Survival(age), got.Survival(age), 1e-9)
		}
	}
	require.Len(t, livesOf(histories, -1), 2)
	both, without := e.lifetimesOf(histories, -1), e.lifetimesOf(histories, 0)
	same(want(livesOf(histories, -1)...), both.belief)
	same(want(livesOf(histories, 0)...), without.belief)
	assert.Len(t, without.lives, 1)
	assert.Greater(t, math.Abs(both.belief.Survival(1000)-without.belief.Survival(1000)), 1e-3)
}
