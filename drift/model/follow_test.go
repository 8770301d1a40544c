package model

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// sessionsThat makes 30 sessions of one attempt whose required power rises by 1 %
// each. Before a session the setting makes up for a share of the deviation that
// is, given to a tenth of a percent; afterwards nothing is corrected.
func sessionsThat(follow, scatter float64) History {
	rng := rand.New(rand.NewPCG(1, 2))
	h := History{Machine: "K-07"}
	setting := 0.0
	for n := range 30 {
		need := float64(n) + scatter*rng.NormFloat64()
		setting += follow * (need - setting)
		shown := math.Round(10*setting) / 10
		h.Events = append(h.Events, Event{Kind: Attempt, NewSession: true, Passed: true, Tries: 1, Arcs: float64(40 * n), Step: 40,
			Melt: drift.Some(-2 * (need - shown)), Setting: drift.Some(shown), Next: drift.Some(shown), Correction: drift.Some(0.0)})
		setting = shown
	}
	return h
}

// Settings that are moved to the need before a session, with no correction on
// record, are learnt to follow it: to a twentieth, as the setting is given in tenths
// of a percent and deviations are about 1 %. Settings that stay where the last
// correction left them do not, whatever the scatter and the rounding.
func TestFollowIsLearnt(t *testing.T) {
	for _, share := range []float64{1, 0.6} {
		p := Prior()
		p.follow([]History{sessionsThat(share, 0.2)})
		assert.InDelta(t, share, p.Follow, 0.05)
	}
	p := Prior()
	p.Follow = 1
	p.follow([]History{sessionsThat(0, 0.2)})
	assert.Zero(t, p.Follow)
	p.Follow = 1
	p.follow([]History{{Machine: "K-07", Events: sessionsThat(1, 0.2).Events[:5]}})
	assert.Zero(t, p.Follow, "five sessions are too few")
}
