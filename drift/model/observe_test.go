package model

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// A machine that always melts one end further is not one whose ends are bad;
// an end that differs from how it mostly is, is.
func TestALeaningMachineIsHeard(t *testing.T) {
	const rate = 0.03
	for _, leans := range []float64{0, 20, -35} {
		p := believed()
		p.SideSD = 4
		m := NewMachine("K-07", p)
		badEnd := func(side float64) float64 { return m.oneSided(&Event{Side: drift.Some(side)}, rate) }
		first := badEnd(leans)
		for i := range 60 {
			badEnd(leans + float64(i%3-1)*4)
		}
		assert.Less(t, badEnd(leans), rate, "as ever, %v", leans)
		assert.Greater(t, badEnd(leans+30), 0.99, "one end bad, %v", leans)
		assert.Less(t, badEnd(leans), rate, "and as ever again, %v", leans)
		if leans != 0 {
			assert.Greater(t, first, 0.5, "nothing was known of it yet, %v", leans)
		}
	}
	assert.Equal(t, rate, NewMachine("K-07", believed()).oneSided(&Event{Side: drift.Some(30.0)}, rate), "of whose like nothing is known")
}

// A session typed as one record shows what its attempts show one by one: the
// fails before the pass, too, are what its kind is learnt from.
func TestATypedSessionIsAsLikelyAsItsAttempts(t *testing.T) {
	for _, tries := range []int64{1, 2, 4} {
		for _, passed := range []bool{true, false} {
			whole, single := NewMachine("K-07", believed()), NewMachine("K-07", believed())
			whole.Update(&Event{Kind: Attempt, Time: morning, NewSession: true, Arcs: 800, Step: 800, Tries: tries, Passed: passed})
			for i := range tries {
				ev := Event{Kind: Attempt, Time: morning, NewSession: i == 0, Ordinal: i + 1, Arcs: 800, Tries: 1, Passed: passed && i == tries-1}
				if i == 0 {
					ev.Step = 800
				}
				single.Update(&ev)
			}
			// One by one the share of bad ends is learnt on the way.
			assert.InDelta(t, single.logLik, whole.logLik, 0.15, "%d tries, passed %v", tries, passed)
			assert.Less(t, whole.logLik, 0.0)
		}
	}
}
