package forecast

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Without scatter a machine that is six percent off and passes within one reaches it in
// four attempts by steps of two and a half percent, or by a share, and not by steps of one
// and a half.
func TestASessionInSteps(t *testing.T) {
	for step, passes := range map[float64]bool{0: true, 1.5: false, 2.5: true} {
		p := model.Params{Kappa: 2, Target: drift.Some(100.0), Tolerance: drift.Some(2.0), GainFail: 1, LargestStep: step}
		s := simulation{p: &p, rng: rand.New(rand.NewPCG(1, 1)), limit: 4}
		s.lo, s.hi = p.Window()
		s.bottom, s.top = p.Bounds()
		assert.Equal(t, passes, s.session(&model.Draw{}, 6, 1e-9), "step %v", step)
	}
}

// A machine that stands at its limit and corrects nothing there does not contradict the
// gain that it shows elsewhere.
func TestTheLimitIsNoContradiction(t *testing.T) {
	p := model.Params{Limit: drift.Some(10.0), LargestStep: 2}
	h := model.History{AttemptLimit: 4}
	for try := range 4 {
		h.Events = append(h.Events, model.Event{
			Kind: model.Attempt, NewSession: try == 0, Tries: 1,
			Setting: drift.Some(8.5), Next: drift.Some(8.5), Correction: drift.Some(0.0),
		})
	}
	var seen tally
	seen.recorded(&p, &h, 0)
	assert.Zero(t, seen.after[0].n)
	p.LargestStep = 0
	seen.recorded(&p, &h, 0)
	assert.EqualValues(t, 4, seen.after[0].n, "free to correct")
}
