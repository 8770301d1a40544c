package model

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// fleet makes the histories of 24 machines.
func (s script) fleet() (all []History) {
	for m := range uint64(24) {
		all = append(all, s.live(m, 150, 0, 0.06))
	}
	return all
}

// correctionsOnly leaves out all other numbers.
func correctionsOnly(histories []History) []History {
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			ev.Melt, ev.Setting, ev.Next = drift.Opt[float64]{}, drift.Opt[float64]{}, drift.Opt[float64]{}
		}
	}
	return histories
}

func policyOf(histories []History) *Params {
	p := Prior()
	p.readTargets(histories)
	p.policy(histories)
	return &p
}

// A machine that takes a fixed step, or is bounded, is told from one that corrects by a
// share. That the machines of TestPolicies have no largest step is tested there.
func TestALargestStepIsLearnt(t *testing.T) {
	for name, s := range map[string]script{
		"the same after each fail":       {gain: 1.6, most: 1.5, limit: 30, stated: true},
		"the same after passes too":      {gain: 1.6, passGain: 1.6, band: 2, most: 1.5, limit: 30, stated: true},
		"a share, with a bound":          {gain: 0.6, passGain: 0.6, most: 1.2, limit: 30, stated: true},
		"the same, mostly at the limit":  {gain: 1.6, most: 1.5, limit: 5.2, stated: true},
		"the same, not after every fail": {gain: 1.6, most: 1.5, idle: 3, limit: 30, stated: true},
	} {
		t.Run(name, func(t *testing.T) {
			p := policyOf(s.fleet())
			t.Logf("step %.2f, gains %.2f %.2f", p.LargestStep, p.GainFail, p.GainPass)
			assert.InDelta(t, s.most, p.LargestStep, 0.06, "rounding")
			if s.band == 0 {
				assert.InDelta(t, s.passGain, p.GainPass, 0.06)
			}
		})
	}
	assert.InDelta(t, 1.5, policyOf(correctionsOnly(script{gain: 1.6, most: 1.5, limit: 30}.fleet())).LargestStep, 1e-9)
	assert.Zero(t, policyOf(correctionsOnly(script{gain: 0.8, limit: 30}.fleet())).LargestStep)
	assert.Zero(t, policyOf(correctionsOnly(script{gain: 0.8, passGain: 0.3, step: 0.5, limit: 30}.fleet())).LargestStep)
}

// Corrections of a fixed step say in which direction the power needed lies, not how far
// off: taken as a share of the deviation, three of them after a jump of eight percent would
// put the level near where such a share was enough.
func TestAFixedStepIsNoMeasurement(t *testing.T) {
	const jump, seeds = 8, 12
	bias := func(step float64) float64 {
		sum := 0.0
		for seed := range uint64(seeds) {
			h := correctionsOnly([]History{script{gain: 1.6, most: 1.5, limit: 30}.live(seed, 1, jump, 0)})[0]
			p := Prior()
			p.Target, p.Tolerance, p.LevelSD, p.LargestStep = drift.Some(100.0), drift.Some(8.0), 5, step
			m := NewMachine(h.Machine, &p)
			for i := range h.Events {
				m.Update(&h.Events[i])
			}
			level, _ := m.Level()
			setting, _ := m.Setting()
			sum += level - setting
		}
		last := 3 * 1.5 // the setting after three steps, as script makes them
		return sum/seeds - (logPct(jump) - logPct(last))
	}
	with, without := bias(1.5), bias(0)
	t.Logf("mean error of what is needed beyond the setting %.2f, as a share %.2f", with, without)
	assert.InDelta(t, 0, with, 1)
	assert.Less(t, without, -1.5)
}

// After a pass the share that is corrected on average, against the sum over deviations.
func TestTheShareFollowed(t *testing.T) {
	for _, p := range []Params{
		{GainPass: 0.7}, {GainPass: 0.7, DeadBand: 1}, {GainPass: 0.7, LargestStep: 1}, {GainPass: 1.5, DeadBand: 2, LargestStep: 1}, {GainPass: 0.5, LargestStep: 9},
	} {
		p.Kappa, p.Target, p.Tolerance = 2, drift.Some(100.0), drift.Some(8.0)
		lo, hi := p.Window()
		width := (hi - lo) / 2
		const steps = 100_000
		both, squares := 0.0, 0.0
		for i := range steps {
			d := width * (float64(i) + 0.5) / steps
			squares += d * d
			if d > p.DeadBand {
				both += d * p.Corrects(p.GainPass, d, 0)
			}
		}
		assert.InDelta(t, both/squares, p.follows(true), 1e-4, "%+v", p)
	}
}
