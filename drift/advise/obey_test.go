package advise

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// ruledSite is a machine that passed at today, with what happened since.
func ruledSite(all ...happened) Site {
	settings := usual()
	return Site{
		Known: passing(60), Settings: settings, LastTemperature: some(20), LastAltitude: some(0),
		Rules: RulesOf(checksOf(append([]happened{pass(today)}, all...)...), &settings),
	}
}

// After electrode work, on first use and after a reported move the answer is
// always to recalibrate, with the reason, whatever the air.
func TestRulesDecideTheSiteCheck(t *testing.T) {
	same := func(q *Move) { q.AsOf = today.Add(20 * time.Minute) }
	for name, c := range map[string]struct {
		site Site
		q    Move
		says []string
	}{
		"nothing due":   {ruledSite(), asked(same), nil},
		"cleaned":       {ruledSite(served(today.Add(time.Minute), drift.Cleaned, "")), asked(same), []string{"The electrodes were cleaned on 2 Mar 2026, 22:31", "The change of air alone would not require a calibration. The rule still applies."}},
		"replaced":      {ruledSite(served(today.Add(time.Minute), drift.Replaced, "")), asked(same), []string{"The electrodes were replaced", "conditioning arcs of the new pair first: 20"}},
		"counter fell":  {ruledSite(counted(today.Add(time.Minute), 5).onPair(1)), asked(same), []string{"The arc counter fell", "conditioning arcs of the new pair first: 20"}},
		"another site":  {ruledSite(pass(today).at("Mill Lane"), spliced(today.Add(time.Minute), 3).at("Tarn Pass")), asked(same), []string{"The machine was moved to Tarn Pass"}},
		"never passed":  {Site{Settings: usual(), Rules: RulesOf(checksOf(spliced(today, 3)), new(usual()))}, asked(same), []string{"no calibration has ever passed"}},
		"no altitude":   {ruledSite(served(today.Add(time.Minute), drift.Cleaned, "")), asked(same, func(q *Move) { q.Pressure = drift.Opt[float64]{} }), []string{"The electrodes were cleaned"}},
		"up a mountain": {ruledSite(served(today.Add(time.Minute), drift.Cleaned, "")), asked(same, func(q *Move) { q.Pressure, q.Altitude = drift.Opt[float64]{}, some(3500) }), []string{"The electrodes were cleaned", "3,500\u00a0m higher"}},
	} {
		t.Run(name, func(t *testing.T) {
			a := c.site.Recalibrated(c.q)
			want := Recalibrate
			if c.says == nil {
				want = NoNeed
			}
			assert.Equal(t, want, a.Answer, "%q", a.Reasons)
			for _, text := range c.says {
				assert.Contains(t, strings.Join(a.Reasons, " "), text)
			}
			for _, r := range a.Reasons {
				assert.Regexp(t, `^[A-Z].*\.$`, r)
			}
		})
	}
	// The check of the day is no matter of the move: the answer is the model's, and
	// says that the check is still due.
	morning := ruledSite()
	next := morning.Recalibrated(asked(func(q *Move) { q.AsOf = today.Add(10 * time.Hour) }))
	assert.Equal(t, NoNeed, next.Answer)
	assert.Contains(t, next.Reasons[0], "calibration is still due")
	require.NotNil(t, next.CheckDue)
	assert.Equal(t, StartOfDay, *next.CheckDue)
	// Water comes before the rules: no arc on wet electrodes.
	s := ruledSite(served(today.Add(time.Minute), drift.Cleaned, ""))
	assert.Equal(t, Wait, answer(&s, asked(at(25, 70, -5))))
}

// A machine whose own temperature was left blank is as cold as it was last
// recorded, until it can have warmed: 1.11 time constants from -5 °C in air of 22 °C
// and 50 %, by Newton's law of cooling.
func TestAColdMachineIsNotTakenForDry(t *testing.T) {
	s := Site{Known: passing(60), Settings: usual(), LastTemperature: some(-5), LastAltitude: some(0)}
	ask := func(minutes int) MoveAnswer {
		return s.Recalibrated(Move{Machine: "K-07", AsOf: today.Add(time.Duration(minutes) * time.Minute), Temperature: some(22), Humidity: some(50), Pressure: some(1013)})
	}
	for _, c := range []struct {
		tau    drift.Opt[float64]
		wet    int // minutes until which it may be wet
		reason string
	}{
		{some(30), 33, "Enter the machine's own temperature, or wait 34 minutes, then recalibrate."},
		{drift.Opt[float64]{}, 66, "Its warm-up time is not known."},
	} {
		s.Settings.WarmUp = c.tau
		a := ask(c.wet)
		assert.Equal(t, Wait, a.Answer)
		assert.False(t, a.WaitMinutes.Known(), "how cold it is now is unknown")
		assert.Equal(t, "Keep the lid shut: the machine may still be at −5\u00a0°C, as at its last calibration, and water condenses here below 13.1\u00a0°C.", a.Reasons[0])
		assert.Contains(t, a.Reasons[1], c.reason)
		a = ask(c.wet + 1)
		assert.NotEqual(t, Wait, a.Answer)
		assert.Contains(t, a.Reasons[0], "If the machine has just come in from −5\u00a0°C, keep the lid shut")
	}
	s.LastTemperature = some(21)
	a := ask(1)
	assert.NotEqual(t, Wait, a.Answer)
	assert.NotContains(t, strings.Join(a.Reasons, " "), "lid")
}

// A machine whose tries scatter so that one in three misses is as likely out right
// after a pass as before: to calibrate again, endlessly, is no answer. The
// electrodes are.
func TestAnotherCheckThatChangesNothingIsNotAskedFor(t *testing.T) {
	m := model.NewMachine("K-07", kind())
	for i := range 80 {
		melt := 14.0
		if i%2 == 0 {
			melt = -14
		}
		if i%5 == 0 {
			melt *= 2.2
		}
		passed := i%5 != 0
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today.Add(time.Duration(i-80) * time.Hour), Arcs: float64(40 * (i + 1)), Step: 40, NewSession: true, Ordinal: 1, Tries: 1,
			Passed: passed, Melt: drift.Some(melt), Setting: drift.Some(0.5), Next: drift.Some(0.5),
			Target: drift.Some(260.0), Tolerance: drift.Some(26.0),
		})
	}
	_, arcs, _, _ := m.Pair()
	m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: arcs + 1, Step: 1, NewSession: true, Ordinal: 1, Tries: 1, Passed: true, Melt: drift.Some(0.5), Setting: drift.Some(0.5), Next: drift.Some(0.5)})
	s := Site{Known: m, Settings: usual(), LastTemperature: some(20), LastAltitude: some(0)}
	a := s.Recalibrated(Move{Machine: "K-07", AsOf: today.Add(time.Minute), Temperature: some(20), Humidity: some(model.TypicalHumidity), Pressure: some(1013)})
	require.Greater(t, a.ProbabilityOut.Or(0), 1.0/12)
	assert.Equal(t, NoNeed, a.Answer, "%q", a.Reasons)
	assert.Equal(t, Inspect, a.Action)
	assert.Contains(t, a.Reasons[0], "Inspect the electrodes instead.")
	// Hours later a calibration finds out what the arcs between have changed.
	a = s.Recalibrated(Move{Machine: "K-07", AsOf: today.Add(2 * time.Hour), Temperature: some(20), Humidity: some(model.TypicalHumidity), Pressure: some(1013)})
	assert.Equal(t, Recalibrate, a.Answer, "%q", a.Reasons)
	// Up a mountain it is another matter: there a calibration changes much.
	a = s.Recalibrated(Move{Machine: "K-07", AsOf: today.Add(time.Minute), Temperature: some(20), Humidity: some(50), Altitude: some(3500)})
	assert.Equal(t, Recalibrate, a.Answer, "%q", a.Reasons)
	assert.Equal(t, None, a.Action)
}
