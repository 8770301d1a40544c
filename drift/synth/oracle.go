package synth

import (
	"math"
	"slices"
	"time"
)

// futures is how many draws a chance is estimated from: a standard error of 0.05 at
// most.
const futures = 100

// Chance returns the chance, from 0 to 1, that the pair fitted at a moment fails within so
// many arcs, by the oracle: it knows the state of the machine and all laws, but not
// chance.
func (t *Truth) Chance(machine string, at time.Time, arcs float64) float64 {
	// Futures gives what lies beyond the horizon as the horizon, so that lies beyond arcs.
	horizon := int64(math.Floor(arcs)) + 1
	n := 0
	for _, left := range t.Machine(machine).Futures(at, horizon, futures, uint64(at.Unix())) {
		if float64(left) <= arcs {
			n++
		}
	}
	return float64(n) / futures
}

// Electrodes says whether the session of a machine, see [Machine.Electrodes], was given up
// for the electrodes.
func (t *Truth) Electrodes(machine string, session time.Time) bool {
	return t.Machine(machine).Electrodes(session)
}

// Electrodes says whether the last session that had begun at a moment would have been
// given up with well-prepared ends too.
func (m *Machine) Electrodes(session time.Time) bool {
	n, _ := slices.BinarySearchFunc(m.Sessions, session, func(s Session, at time.Time) int {
		if s.Time.After(at) {
			return 1
		}
		return -1
	})
	return n > 0 && !m.Sessions[n-1].Fit
}
