package advise

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// misled is a machine whose setting bad fibre ends have driven off: an attempt with
// very unlike ends failed, the machine corrected by 11 %, and then unlike ends passed
// at the wrong setting on each of two mornings.
func misled() *model.Machine {
	m := passing(40)
	_, arcs, _, _ := m.Pair()
	bad := func(day int, session bool, passed bool, set, next, melt, side float64) {
		arcs++
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today.AddDate(0, 0, day), Arcs: arcs, Step: 1, NewSession: session, Ordinal: 1, Tries: 1,
			Passed: passed, Setting: drift.Some(set), Next: drift.Some(next), Melt: drift.Some(melt), Side: drift.Some(side),
		})
	}
	bad(-2, true, false, 0.5, 11.5, -40, -60)
	bad(-1, true, true, 11.5, 11.0, 6, 30)
	bad(0, true, true, 11.0, 11.0, 2, 25)
	return m
}

// askedAgain asks about the air of the last calibration, soon after it.
func askedAgain(m *model.Machine) MoveAnswer {
	s := Site{Known: m, Settings: usual(), LastTemperature: drift.Some(20.0), LastAltitude: drift.Some(0.0)}
	return s.Recalibrated(Move{Machine: "K-07", AsOf: today.Add(3 * time.Hour), Temperature: drift.Some(20.0), Pressure: drift.Some(1013.25)})
}

// A machine that the site check holds to be out at its setting, in the very air it
// has just passed in, is not called fit: a pass on bad ends proves nothing.
func TestAMachineThatIsLikelyOutIsNotFit(t *testing.T) {
	m := misled()
	again := askedAgain(m)
	require.Greater(t, again.ProbabilityOut.Or(0), 0.7)
	assert.Equal(t, Recalibrate, again.Answer)
	assert.Contains(t, again.Reasons[0], "The setting is probably wrong")
	a := Assess(subject(m, lasting(0.05, 5000)), today)
	assert.Equal(t, CheckFirst, a.State, "%q", a.Reasons)
	assert.Contains(t, a.Reasons[0], "although the last calibration passed")
	assert.Contains(t, strings.Join(a.Reasons, " "), "another cleaver")
	assert.Equal(t, "Calibrate before the next splice.", a.NextStep(today))
	assert.NotContains(t, strings.Join(a.Reasons, " "), "One good calibration with fresh ends clears this.")
	wellSaid(t, &a)

	// A service that is due stays due, and the check is asked for beside it.
	a = Assess(subject(m, lasting(0.8, 300)), today)
	assert.Equal(t, ServiceSoon, a.State)
	assert.True(t, strings.HasPrefix(a.NextStep(today), "Calibrate before the next splice. "), a.NextStep(today))
	assert.Contains(t, strings.Join(a.Reasons, " "), "although the last calibration passed")

	// Good ends show the setting to be wrong; the correction clears the state.
	_, arcs, _, _ := m.Pair()
	m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: arcs + 1, Step: 1, NewSession: true, Ordinal: 1, Tries: 1,
		Setting: drift.Some(11.0), Next: drift.Some(0.6), Melt: drift.Some(36.0), Side: drift.Some(0.5)})
	for i := range 4 {
		m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: arcs + float64(i+2), Step: 1, NewSession: i > 0, Ordinal: 2, Tries: 1, Passed: true,
			Setting: drift.Some(0.6), Next: drift.Some(0.6), Melt: drift.Some(0.0), Side: drift.Some(0.5)})
	}
	a = Assess(subject(m, lasting(0.05, 5000)), today)
	assert.Equal(t, Fit, a.State, "%q", a.Reasons)
}

// So do good ends that melt back on target at the setting, again and again: then the
// setting was right.
func TestGoodEndsClearAWrongSuspicion(t *testing.T) {
	m := misled()
	_, arcs, _, _ := m.Pair()
	for i := range 8 {
		m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: arcs + float64(i+1), Step: 1, NewSession: true, Ordinal: 1, Tries: 1, Passed: true,
			Setting: drift.Some(11.0), Next: drift.Some(11.0), Melt: drift.Some(0.0), Side: drift.Some(0.5)})
	}
	a := Assess(subject(m, lasting(0.05, 5000)), today)
	assert.Equal(t, Fit, a.State, "%q", a.Reasons)
}

// State and site check never contradict each other for the air of the last
// calibration: what is fit is out less often than not.
func TestFitAndSiteCheckAgree(t *testing.T) {
	for _, m := range []*model.Machine{passing(20), misled(), alike(passing(20)), beyond()} {
		a := Assess(subject(m, lasting(0.05, 5000)), today)
		p := askedAgain(m).ProbabilityOut.Or(math.NaN())
		assert.False(t, a.State == Fit && p >= 0.5, "fit at %.2f: %q", p, a.Reasons)
	}
}

// Hours after a pass near the edge, the site check in the same air asks for another
// calibration: then the state, fit or not, does not say that there is nothing to do.
func TestWhatPaysOnArrivalPaysBeforeTheNextSplice(t *testing.T) {
	m := passing(20)
	_, arcs, _, _ := m.Pair()
	for i := range 3 {
		m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: arcs + float64(i+1), Step: 1, NewSession: true, Ordinal: 1, Tries: 1, Passed: true,
			Setting: drift.Some(0.5), Next: drift.Some(0.5), Melt: drift.Some(21.0)})
	}
	again := askedAgain(m)
	require.Equal(t, Recalibrate, again.Answer, "%q", again.Reasons)
	s := subject(m, lasting(0.05, 5000))
	a := Assess(s, today.Add(3*time.Hour))
	require.Equal(t, Fit, a.State, "%q", a.Reasons)
	assert.Equal(t, "Nothing is due. Another calibration is worth its time.", a.NextStep(today))
	// Just after it passed, another would change little.
	a = Assess(s, today.Add(10*time.Minute))
	assert.Equal(t, "Nothing to do.", a.NextStep(today))
	a = Assess(subject(passing(20), lasting(0.05, 5000)), today.Add(3*time.Hour))
	assert.Equal(t, "Nothing to do.", a.NextStep(today), "%q", a.Reasons)
}

// A first record that passed orders nothing: what a stranger's pair may last is a
// rule of thumb.
func TestAFirstRecordOrdersNoService(t *testing.T) {
	p := model.Prior()
	m := model.NewMachine("K-07", &p)
	m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: 2900, NewSession: true, Ordinal: 1, Tries: 1, Passed: true})
	a := Assess(subject(m, lasting(0.7, 20)), today)
	assert.Equal(t, Fit, a.State, "%q", a.Reasons)
	assert.Equal(t, None, a.Electrode.Action)
	assert.Contains(t, strings.Join(a.Reasons, " "), "too few records")
	wellSaid(t, &a)
}
