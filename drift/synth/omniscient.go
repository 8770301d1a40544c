package synth

import (
	"math"
	"slices"
	"time"
)

// futures is how many draws a chance is estimated from: a standard error of 0.05 at
// most.
const futures = 100

// Chance is that of a failure within so many arcs, by somebody who knows the machine
// as it stands and all laws, but not chance.
func (t *Truth) Chance(machine string, at time.Time, arcs float64) float64 {
	// Where all end beyond the horizon, the horizon is what they are given as.
	horizon := int64(math.Floor(arcs)) + 1
	n := 0
	for _, left := range t.Machine(machine).Futures(at, horizon, futures, uint64(at.Unix())) {
		if float64(left) <= arcs {
			n++
		}
	}
	return float64(n) / futures
}

// Electrodes says whether the last session that had begun at a moment would have
// been given up with well-prepared ends too.
func (t *Truth) Electrodes(machine string, session time.Time) bool {
	all := t.Machine(machine).Sessions
	n, _ := slices.BinarySearchFunc(all, session, func(s Session, at time.Time) int {
		if s.Time.After(at) {
			return 1
		}
		return -1
	})
	return n > 0 && !all[n-1].Fit
}
