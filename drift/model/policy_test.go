package model

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// script is how an invented machine answers a deviation, as records.
type script struct {
	gain, passGain, band, step, limit float64
	most                              float64 // by which one correction changes the setting, if above 0
	stated                            bool    // the limit is
	idle                              int     // one in so many fails is left unanswered
}

// act is the change of setting, in percent, that the machine makes.
func (s script) act(setting, need float64, passed bool) float64 {
	gain := s.gain
	if passed {
		gain = s.passGain
	}
	if gain == 0 || need < s.band && need > -s.band {
		return 0
	}
	moved := gain * need
	if s.most > 0 {
		moved = min(max(moved, -s.most), s.most)
	}
	next := setting + moved
	if s.step > 0 {
		next = s.step * float64(int(next/s.step+0.5*sign(next)))
	}
	return min(max(next, -s.limit), s.limit) - setting
}

func sign(x float64) float64 {
	if x < 0 {
		return -1
	}
	return 1
}

// live makes so many sessions of a pair that wears by so much each, in percent.
func (s script) live(seed uint64, sessions int, level, wear float64) History {
	rng := rand.New(rand.NewPCG(seed, 7))
	h := History{Machine: "K-07", Key: Key{Model: "type-1"}, AttemptLimit: 4}
	setting, arcs := 0.0, 0.0
	const kappa, window = 2.0, 4.0
	for day := range sessions {
		arcs += 40
		level += wear
		for try := range 4 {
			need := level + 1.5*rng.NormFloat64() - setting
			off := logPct(setting+need) - logPct(setting)
			passed := off < window && off > -window
			moved := s.act(setting, need, passed)
			if s.idle > 0 && !passed && rng.IntN(s.idle) == 0 {
				moved = 0
			}
			ev := Event{
				Kind: Attempt, Time: morning.AddDate(0, 0, day), Arcs: arcs, Step: 40, NewSession: try == 0, Ordinal: int64(try + 1), Tries: 1, Passed: passed,
				Melt: drift.Some(-kappa * off), Setting: drift.Some(logPct(setting)), Next: drift.Some(logPct(setting + moved)), Correction: drift.Some(moved),
				Target: drift.Some(100.0), Tolerance: drift.Some(8.0),
			}
			if s.stated {
				ev.Limit = drift.Some(s.limit)
			}
			ev.Clipped = s.stated && (setting+moved > s.limit-rounding || setting+moved < rounding-s.limit)
			h.Events = append(h.Events, ev)
			setting += moved
			if passed {
				break
			}
			h.Events[len(h.Events)-1].Step = 0
		}
	}
	return h
}

// What is learnt of each policy from records alone, over machines that mostly
// stand at their limit too: there no correction answers any deviation. Within two
// standard errors of a median of some hundred ratios, with the rounding of steps
// and of a linear percentage compared with a logarithm.
func TestPolicies(t *testing.T) {
	for name, s := range map[string]script{
		"after fails only":          {gain: 0.8, limit: 30, stated: true},
		"after passes too":          {gain: 0.7, passGain: 0.3, limit: 30, stated: true},
		"too much":                  {gain: 1.6, limit: 30, stated: true},
		"little":                    {gain: 0.3, limit: 30, stated: true},
		"with a dead band":          {gain: 0.8, passGain: 0.8, band: 2, limit: 30, stated: true},
		"in steps":                  {gain: 0.8, passGain: 0.8, step: 0.5, limit: 30, stated: true},
		"mostly at the limit":       {gain: 0.8, limit: 5, stated: true},
		"at an unstated limit":      {gain: 0.8, limit: 5},
		"in steps, at the limit":    {gain: 0.8, passGain: 0.8, step: 0.5, limit: 5.2, stated: true},
		"not each time":             {gain: 0.8, idle: 2, limit: 30, stated: true},
		"never, whatever is failed": {limit: 30, stated: true},
	} {
		t.Run(name, func(t *testing.T) {
			var all []History
			for m := range uint64(24) {
				all = append(all, s.live(m, 150, 0, 0.06))
			}
			p := Prior()
			p.readTargets(all)
			p.policy(all)
			t.Logf("gains %.2f %.2f, dead band %.2f, apart %.2f, limit %v", p.GainFail, p.GainPass, p.DeadBand, p.CorrectSD, p.Limit)
			assert.InDelta(t, s.gain, p.GainFail, 0.06)
			assert.InDelta(t, s.passGain, p.GainPass, 0.06)
			assert.InDelta(t, max(s.band, s.step/2/max(s.passGain, 0.1)), p.DeadBand, 0.3, "a step is a dead band of half of it")
			assert.Zero(t, p.LargestStep)
			if s.idle > 0 {
				assert.InDelta(t, 1/float64(s.idle), p.Idle, 0.15, "of some twenty fails")
			} else if s.gain > 0 {
				assert.Less(t, p.Idle, 0.05)
			}
			if s.limit < 30 {
				require.True(t, p.Limit.Known())
				assert.InDelta(t, s.limit, p.Limit.Or(0), 0.01)
			}
		})
	}
}
