package model

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/synth"
)

// quiet are a few machines that hardly scatter or wear, recorded a few times.
func quiet() (hs []History) {
	for m := range 4 {
		rng := rand.New(rand.NewPCG(uint64(m), 9))
		h := History{Machine: fmt.Sprint("Q-", m), Key: Key{Model: "quiet"}, AttemptLimit: 4}
		for day := range 15 {
			arcs := 100 * float64(day+1)
			need := 0.5*arcs/1000 + 0.1*rng.NormFloat64()
			h.Events = append(h.Events, Event{
				Kind: Attempt, Time: morning.AddDate(0, 0, day), Arcs: arcs, Step: 100, NewSession: true, Ordinal: 1, Tries: 1, Passed: true,
				Melt: drift.Some(-2 * need), Setting: drift.Some(0.0), Next: drift.Some(0.0), Correction: drift.Some(0.0),
				Target: drift.Some(100.0), Tolerance: drift.Some(8.0), Limit: drift.Some(12.0),
			})
		}
		hs = append(hs, h)
	}
	return hs
}

// A quiet, sparse kind beside three noisy ones is believed to be about as likely out
// of tolerance later on as it would be alone.
func TestAQuietKindKeepsToItself(t *testing.T) {
	w, ok := synth.WorldNamed("three-models")
	require.True(t, ok)
	w.Grades = synth.Mix{Full: 1}
	all := append(histories(synth.Make(w, 7, 15, morning, 100)), quiet()...)
	out := func(pop *Population) (sum float64) {
		for _, h := range quiet() {
			m := NewMachine(h.Machine, pop.For(h.Key))
			for i := range h.Events {
				m.Update(&h.Events[i])
			}
			sum += m.OutChance([airTerms]float64{}, 1500) / 4
		}
		return sum
	}
	beside := learn(all)
	p := beside.For(Key{Model: "quiet"})
	t.Logf("scatter %.2f (doubles at %.0f), walk %.3f, dirt %.2f: out in 1500 arcs %.3f, learnt alone %.3f",
		p.Scatter, p.ScatterArcs, p.Walk, p.DirtRate, out(beside), out(learn(quiet())))
	assert.Less(t, p.Scatter, 0.2)
	assert.Less(t, math.Abs(out(beside)-out(learn(quiet()))), 0.05)
}
