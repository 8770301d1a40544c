package model

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// wholeSessions makes one event of each session, as a person types it: the numbers of its
// last attempt and the sum of its corrections.
func wholeSessions(histories []History) (out []History) {
	for _, h := range histories {
		var whole []Event
		for i := range h.Events {
			ev := h.Events[i]
			if ev.NewSession {
				whole = append(whole, ev)
				continue
			}
			one := &whole[len(whole)-1]
			sum := one.Correction.OrElse(one.Moved).Or(0) + ev.Correction.Or(0)
			ev.Step, ev.NewSession, ev.Tries = one.Step, true, one.Tries+1
			ev.Moved, ev.Correction, ev.Next = drift.Some(sum), drift.Opt[float64]{}, drift.Opt[float64]{}
			setting := Pct(ev.Setting.Or(0))
			ev.Clipped = ev.Limit.Known() && (setting > ev.Limit.Or(0)-rounding || setting < rounding-ev.Limit.Or(0))
			*one = ev
		}
		h.Events = whole
		out = append(out, h)
	}
	return out
}

// Of typed sessions the gain is known by the bound that a fail gives only: a quarter of it
// is allowed, as scatter beyond half the tolerance and corrections after passes blur it.
func TestGainsOfTypedSessions(t *testing.T) {
	for name, s := range map[string]script{
		"after fails only":       {gain: 0.8, limit: 30, stated: true},
		"after passes too":       {gain: 0.7, passGain: 0.3, limit: 30, stated: true},
		"too much":               {gain: 1.6, limit: 30, stated: true},
		"little":                 {gain: 0.3, limit: 30, stated: true},
		"mostly at the limit":    {gain: 0.8, limit: 5, stated: true},
		"at an unstated limit":   {gain: 0.8, limit: 5},
		"in steps, at the limit": {gain: 0.8, passGain: 0.8, step: 0.5, limit: 5.2, stated: true},
		"not each time":          {gain: 0.8, idle: 3, limit: 30, stated: true},
	} {
		t.Run(name, func(t *testing.T) {
			p := policyOf(wholeSessions(s.fleet()))
			t.Logf("gains %.2f %.2f, left alone %.2f", p.GainFail, p.GainPass, p.Idle)
			assert.InDelta(t, s.gain, p.GainFail, 0.25*s.gain)
			assert.Zero(t, p.LargestStep)
			if s.idle > 0 {
				assert.InDelta(t, 1/float64(s.idle), p.Idle, 0.15)
			}
		})
	}
}

func TestALargestStepIsLearntFromTypedSessions(t *testing.T) {
	for name, s := range map[string]script{
		"the same after each fail":     {gain: 1.6, most: 1.5, limit: 30, stated: true},
		"the same, mostly at a limit":  {gain: 1.6, most: 1.5, limit: 5.2, stated: true},
		"the same, not for every fail": {gain: 1.6, most: 1.5, idle: 3, limit: 30, stated: true},
	} {
		t.Run(name, func(t *testing.T) {
			assert.InDelta(t, s.most, policyOf(wholeSessions(s.fleet())).LargestStep, 0.06, "rounding")
		})
	}
}
