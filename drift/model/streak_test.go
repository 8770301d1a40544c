package model

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// failing weighs attempts that lay so far from the expected need, in scatters of 2,
// on a machine with 3 bad ends in 100 and a contamination in 1,000 sessions.
func failing(offs ...float64) Streak {
	s := Streak{}
	for i, off := range offs {
		o := outlook{before: 0.03, now: 0.03, badEnd: 0.03, dirt: 1e-3, off: off, variance: 5, scatter: 4, wide: 105, side: 1}
		s.update(&Event{Kind: Attempt, NewSession: i == 0, Tries: 1}, 1, o)
	}
	return s
}

// Attempts that miss now here, now there are bad ends, however far the first one
// misses; those that all miss by the same are a step in the level. The second was
// wrong before for a first miss of 27.
func TestStreakTellsEndsFromAStep(t *testing.T) {
	assert.Greater(t, failing(12, -15, 10, -9).BadEnd, 0.9)
	assert.Greater(t, failing(27, -17, 12, 14).BadEnd, 0.9)
	assert.Greater(t, failing(1e4, -17, 12, 14).BadEnd, 0.9, "no number so wild that it settles the matter")
	for _, step := range []float64{8, 12, 27} {
		assert.Less(t, failing(step, step+1, step-1, step).BadEnd, 0.1, "a step of %v", step)
	}
}
