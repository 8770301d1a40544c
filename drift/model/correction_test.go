package model

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

// Of a pair of unknown age, a machine without a counter that is met at work,
// as much wear is believed as pairs of its kind mostly have, and it is as unsure; a
// counter that is reported later is not wear once more.
func TestAPairOfUnknownAge(t *testing.T) {
	p := believed()
	p.Slope, p.SlopeSD, p.Level, p.LevelSD, p.Walk, p.DirtRate, p.UsualArcs = 3, 0.5, 0, 1, 0.01, 1e-6, 2000
	first := Event{Kind: Attempt, Time: morning, Arcs: 1, Step: 1, Tries: 1, NewSession: true, Passed: true, Estimated: true}
	met := func(change func(ev *Event)) *Machine {
		ev := first
		change(&ev)
		m := NewMachine("K-07", p)
		m.Update(&ev)
		return m
	}
	m := met(func(*Event) {})
	level, sd := m.Level()
	// 2000 arcs at 3 % a thousand are 6 %, 5.8 log percent; any age from none to twice
	// that spreads by 6/√3.
	assert.InDelta(t, 5.8, level, 0.3)
	assert.InDelta(t, 3.6, sd, 0.4)
	setting, _ := m.Setting()
	assert.InDelta(t, level, setting, 1, "it has corrected itself")
	known, sure := met(func(ev *Event) { ev.Estimated = false }).Level()
	assert.InDelta(t, 0, known, 0.2)
	assert.Less(t, sure, 1.1)
	fitted, _ := met(func(ev *Event) { ev.Pair = 1 }).Level()
	assert.InDelta(t, 0, fitted, 0.2, "fitted while somebody watched")

	later := first
	later.Estimated, later.Time, later.Arcs, later.Step = false, morning.AddDate(0, 0, 1), 2100, 2099
	m.Update(&later)
	after, _ := m.Level()
	assert.InDelta(t, level, after, 0.6)
	assert.InDelta(t, 2100, m.ScatterAge(), 1)
}

// A machine that reports its corrections alone and leaves fails unanswered, though its
// kind answers all that it can, is at its limit: so much is known of its setting
// then, and of the level that comes with it.
func TestAFailWithoutAnAnswerTellsTheLimit(t *testing.T) {
	p := believed()
	p.Limit, p.Idle, p.GainFail = drift.Some(8.0), 0.01, 0.8
	m := NewMachine("K-07", p)
	for i, correction := range []float64{1.5, 0, 0, 0, 0, 0} {
		m.Update(&Event{
			Kind: Attempt, Time: morning.AddDate(0, 0, i), Arcs: 2000, Tries: 1, NewSession: true, Passed: false,
			Correction: drift.Some(correction), Step: map[bool]float64{true: 2000}[i == 0],
		})
	}
	setting, sd := m.Setting()
	assert.InDelta(t, logPct(8), setting, 0.1)
	assert.Less(t, sd, 0.2)
	level, _ := m.Level()
	assert.Greater(t, level, logPct(8), "and it needs more than that")
}

// What passes at the limit lies within the tolerance: days of passes that nothing
// answers do not tell of a deviation that grows without bound.
func TestAPassAtTheLimitIsWithinTolerance(t *testing.T) {
	for _, side := range []float64{1, -1} {
		p := believed()
		p.Limit, p.Idle, p.GainPass, p.GainFail = drift.Some(8.0), 0.01, 0.9, 0.9
		m := NewMachine("K-07", p)
		for i := range 60 {
			ev := Event{
				Kind: Attempt, Time: morning.AddDate(0, 0, i), Arcs: 2000 + 50*float64(i), Step: 50, Tries: 1, NewSession: true, Passed: true,
				Correction: drift.Some(0.0),
			}
			if i < 4 {
				ev.Passed, ev.Correction = false, drift.Some(3*side)
			}
			m.Update(&ev)
		}
		setting, _ := m.Setting()
		assert.InDelta(t, logPct(8*side), setting, 0.3)
		lo, hi := p.Window()
		level, sd := m.Level()
		assert.Greater(t, level-setting, 1.5*lo)
		assert.Less(t, level-setting, 1.5*hi)
		assert.Less(t, sd, hi-lo)
	}
}

// A machine that states 0 after every attempt has its corrections switched off, or filled
// in: fails on a worn pair are no sign of a limit then, and it is not expected to correct
// itself.
func TestCorrectionsThatAreAlways0(t *testing.T) {
	p := believed()
	p.Limit, p.Idle, p.GainPass, p.GainFail = drift.Some(8.0), 0.02, 0, 0.8
	m := NewMachine("K-07", p)
	for i := range 40 {
		m.Update(&Event{
			Kind: Attempt, Time: morning.AddDate(0, 0, i), Arcs: 2000 + 20*float64(i), Step: map[bool]float64{true: 2000, false: 20}[i == 0], Tries: 1, NewSession: true,
			Passed: i%4 > 0, Correction: drift.Some(0.0),
		})
	}
	setting, sd := m.Setting()
	assert.Less(t, setting, 3.0)
	assert.Greater(t, sd, 1.5, "it may be anywhere, not at the limit of 7.7")
	assert.InDelta(t, 0.8*5/15, m.Params().GainFail, 1e-12, "ten fails were not answered")

	// The first correction that is not 0 brings the gains of its kind back.
	m.Update(&Event{Kind: Attempt, Time: morning.AddDate(0, 0, 41), Arcs: 2900, Step: 120, Tries: 1, NewSession: true, Correction: drift.Some(2.0)})
	assert.Equal(t, p.GainFail, m.Params().GainFail)
}

// With a new pair a setting that nobody reports stays, or returns to nominal: passes soon
// tell which.
func TestASettingMayReturnToNominalWithANewPair(t *testing.T) {
	for _, need := range []float64{0, 12} {
		p := believed()
		p.Resets, p.Limit, p.Level, p.LevelSD, p.GainPass = 0.2, drift.Some(20.0), need, 3, 0.7
		m := NewMachine("K-07", p)
		m.Update(&Event{
			Kind: Attempt, Time: morning, Arcs: 2000, Step: 2000, Tries: 1, NewSession: true, Passed: true,
			Setting: drift.Some(12.0), Correction: drift.Some(0.0), Next: drift.Some(12.0),
		})
		m.Update(&Event{Kind: Replaced, Time: morning.Add(time.Hour), Pair: 1})
		for i := range 15 {
			m.Update(&Event{
				Kind: Attempt, Time: morning.AddDate(0, 0, i+1), Pair: 1, Arcs: float64(20 * (i + 1)), Step: 20, Tries: 1, NewSession: true, Passed: true,
				Correction: drift.Some(0.0),
			})
		}
		setting, _ := m.Setting()
		level, _ := m.Level()
		t.Logf("needs %.0f: level %.1f, setting %.1f", need, level, setting)
		assert.InDelta(t, need, setting, 3.5)
		assert.InDelta(t, need, level, 3.5)
	}
}
