package advise

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/forecast"
)

// oslo is an hour ahead of UTC in March.
func oslo(t require.TestingT) *time.Location {
	at, err := time.LoadLocation("Europe/Oslo")
	require.NoError(t, err)
	return at
}

// at7 is so many minutes after 07:00 in Oslo on Monday 2 March 2026.
func at7(minutes int) time.Time {
	return time.Date(2026, 3, 2, 6, minutes, 0, 0, time.UTC)
}

type happened struct {
	drift.Record
	pair int
}

func pass(at time.Time) happened {
	return happened{Record: drift.Record{Type: drift.TypeCalibration, Time: at, Calibration: &drift.Calibration{Passed: drift.Some(true)}}}
}

func fail(at time.Time, change func(*drift.Calibration)) happened {
	c := &drift.Calibration{Passed: drift.Some(false)}
	change(c)
	return happened{Record: drift.Record{Type: drift.TypeCalibration, Time: at, Calibration: c}}
}

func served(at time.Time, action drift.Action, finding drift.Finding) happened {
	return happened{Record: drift.Record{Type: drift.TypeService, Time: at, Service: &drift.Service{Action: action, Finding: finding}}}
}

func spliced(at time.Time, n int64) happened {
	return happened{Record: drift.Record{Type: drift.TypeSplice, Time: at, Splice: &drift.Splice{Count: drift.Some(n)}}}
}

func counted(at time.Time, arcs int64) happened {
	return happened{Record: drift.Record{Type: drift.TypeUsage, Time: at, ArcCount: drift.Some(arcs)}}
}

func (h happened) at(site string) happened { h.Site = site; return h }

func (h happened) onPair(n int) happened { h.pair = n; return h }

func checksOf(all ...happened) (c Checks) {
	for i := range all {
		c.Update(&drift.Entry{Record: all[i].Record}, all[i].pair)
	}
	return c
}

func TestWhatIsDue(t *testing.T) {
	yesterday := func(minutes int) time.Time { return at7(minutes).AddDate(0, 0, -1) }
	midnight := time.Date(2026, 3, 1, 23, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		happened []happened
		every    int64
		reason   DueReason // empty for none
		since    time.Time
		used     bool
	}{
		"nothing known":                  {nil, 1, "", time.Time{}, false},
		"passed this morning":            {[]happened{pass(at7(-10))}, 1, "", time.Time{}, false},
		"passed yesterday":               {[]happened{pass(yesterday(0))}, 1, StartOfDay, midnight, false},
		"passed yesterday, spliced":      {[]happened{pass(yesterday(0)), spliced(at7(-20), 4)}, 1, StartOfDay, midnight, true},
		"spliced yesterday only":         {[]happened{pass(yesterday(0)), spliced(yesterday(90), 4)}, 1, StartOfDay, midnight, false},
		"nought splices are no use":      {[]happened{pass(yesterday(0)), spliced(at7(-20), 0)}, 1, StartOfDay, midnight, false},
		"a counter that rose":            {[]happened{pass(yesterday(0)), counted(yesterday(60), 40), counted(at7(-20), 52)}, 1, StartOfDay, midnight, true},
		"a counter that stood":           {[]happened{pass(yesterday(0)), counted(yesterday(60), 40), counted(at7(-20), 40)}, 1, StartOfDay, midnight, false},
		"spliced, then passed":           {[]happened{pass(yesterday(0)), spliced(at7(-20), 4), pass(at7(-10))}, 1, "", time.Time{}, false},
		"failed today ends nothing":      {[]happened{pass(yesterday(0)), fail(at7(-5), func(*drift.Calibration) {})}, 1, StartOfDay, midnight, false},
		"turned off":                     {[]happened{pass(yesterday(0)), spliced(at7(-20), 4)}, 0, "", time.Time{}, false},
		"every third day, not yet":       {[]happened{pass(yesterday(0).AddDate(0, 0, -1))}, 3, "", time.Time{}, false},
		"every third day":                {[]happened{pass(yesterday(0).AddDate(0, 0, -3)), spliced(yesterday(0), 2)}, 3, StartOfDay, midnight.AddDate(0, 0, -1), true},
		"cleaned":                        {[]happened{pass(at7(-30)), served(at7(-20), drift.Cleaned, "")}, 1, ElectrodeWork, at7(-20), false},
		"replaced, turned off":           {[]happened{pass(at7(-30)), served(at7(-20), drift.Replaced, "")}, 0, ElectrodeWork, at7(-20), false},
		"replaced and used":              {[]happened{pass(at7(-30)), served(at7(-20), drift.Replaced, ""), spliced(at7(-10), 2)}, 1, ElectrodeWork, at7(-20), true},
		"replaced and passed":            {[]happened{served(at7(-20), drift.Replaced, ""), pass(at7(-10))}, 1, "", time.Time{}, false},
		"spliced, then replaced":         {[]happened{spliced(at7(-30), 2), served(at7(-20), drift.Replaced, "")}, 1, ElectrodeWork, at7(-20), false},
		"inspected":                      {[]happened{pass(at7(-30)), served(at7(-20), drift.Inspected, drift.Worn)}, 1, "", time.Time{}, false},
		"the counter fell":               {[]happened{pass(at7(-30)), counted(at7(-20), 30).onPair(1)}, 1, ElectrodeWork, at7(-20), true},
		"the counter fell with the pass": {[]happened{pass(at7(-30)), pass(at7(-20)).onPair(1)}, 1, "", time.Time{}, false},
		"a trigger says so":              {[]happened{pass(at7(-30)), fail(at7(-20), func(c *drift.Calibration) { c.Trigger = "electrode-service" })}, 1, ElectrodeWork, at7(-20), false},
		"never passed":                   {[]happened{spliced(at7(-30), 2)}, 1, FirstUse, at7(-30), true},
		"never passed, only failed":      {[]happened{fail(at7(-30), func(*drift.Calibration) {})}, 0, FirstUse, at7(-30), false},
		"another site":                   {[]happened{pass(at7(-30)).at("Mill Lane"), spliced(at7(-20), 2).at("Tarn Pass")}, 1, Moved, at7(-20), true},
		"the same site, spelt otherwise": {[]happened{pass(at7(-30)).at("Mill Lane"), spliced(at7(-20), 2).at("mill lane")}, 1, "", time.Time{}, false},
		"the same site":                  {[]happened{pass(at7(-30)).at("Mill Lane"), spliced(at7(-20), 2).at("Mill Lane")}, 1, "", time.Time{}, false},
		"a site for the first time":      {[]happened{pass(at7(-30)), spliced(at7(-20), 2).at("Mill Lane")}, 1, "", time.Time{}, false},
		"a trigger: moved":               {[]happened{pass(at7(-30)), fail(at7(-20), func(c *drift.Calibration) { c.Trigger = "moved" })}, 1, Moved, at7(-20), false},
		"much higher": {[]happened{fail(at7(-30), func(c *drift.Calibration) { c.Passed, c.Altitude = drift.Some(true), some(200) }),
			fail(at7(-20), func(c *drift.Calibration) { c.Altitude = some(500) })}, 1, Moved, at7(-20), false},
		"not so much higher": {[]happened{fail(at7(-30), func(c *drift.Calibration) { c.Passed, c.Altitude = drift.Some(true), some(200) }),
			fail(at7(-20), func(c *drift.Calibration) { c.Altitude = some(499) })}, 1, "", time.Time{}, false},
		"much colder": {[]happened{fail(at7(-30), func(c *drift.Calibration) { c.Passed, c.Temperature = drift.Some(true), some(8) }),
			fail(at7(-20), func(c *drift.Calibration) { c.Temperature = some(-2) })}, 1, Weather, at7(-20), false},
		"a trigger: weather":               {[]happened{pass(at7(-30)), fail(at7(-20), func(c *drift.Calibration) { c.Trigger = "weather" })}, 1, Weather, at7(-20), false},
		"electrode work goes before moved": {[]happened{pass(at7(-30)).at("Mill Lane"), served(at7(-20), drift.Cleaned, "").at("Tarn Pass")}, 1, ElectrodeWork, at7(-20), false},
	} {
		t.Run(name, func(t *testing.T) {
			checks := checksOf(c.happened...)
			d := checks.Due(c.every, oslo(t), at7(0))
			if c.reason == "" {
				assert.Nil(t, d)
				return
			}
			assert.Equal(t, &Due{c.reason, c.since, c.used}, d)
		})
	}
}

// A day begins at midnight where the machine is, also on the days on which
// clocks are changed: in Oslo on 29 March 2026, 02:00 is 03:00.
func TestTheDayIsThatOfThePlace(t *testing.T) {
	c := checksOf(pass(time.Date(2026, 3, 28, 22, 30, 0, 0, time.UTC)))
	zone := oslo(t)
	assert.Nil(t, c.Due(1, zone, time.Date(2026, 3, 28, 22, 59, 0, 0, time.UTC)))
	d := c.Due(1, zone, time.Date(2026, 3, 28, 23, 0, 0, 0, time.UTC))
	require.NotNil(t, d)
	assert.Equal(t, time.Date(2026, 3, 28, 23, 0, 0, 0, time.UTC), d.Since)
	assert.Nil(t, c.Due(1, time.UTC, time.Date(2026, 3, 28, 23, 59, 0, 0, time.UTC)))
	d = c.Due(1, zone, time.Date(2026, 3, 29, 22, 0, 0, 0, time.UTC))
	require.NotNil(t, d)
	assert.Equal(t, time.Date(2026, 3, 29, 22, 0, 0, 0, time.UTC), d.Since, "an hour earlier in UTC")
}

// Whatever happened, in whatever parts it is kept: what is kept forgets nothing,
// a pass ends all, and no setting turns off more than the check of the day.
func TestChecksAreKeptAndEnded(t *testing.T) {
	zone := oslo(t)
	rapid.Check(t, func(t *rapid.T) {
		var c Checks
		pair := 0
		now := at7(0)
		for range rapid.IntRange(1, 12).Draw(t, "records") {
			now = now.Add(time.Duration(rapid.IntRange(1, 30*60).Draw(t, "minutes")) * time.Minute)
			site := rapid.SampledFrom([]string{"", "Mill Lane", "Tarn Pass"}).Draw(t, "site")
			h := rapid.SampledFrom([]happened{
				pass(now), fail(now, func(*drift.Calibration) {}), served(now, drift.Cleaned, ""), served(now, drift.Replaced, ""),
				served(now, drift.Inspected, drift.Worn), spliced(now, 3), counted(now, 100),
			}).Draw(t, "record").at(site)
			pair += rapid.IntRange(0, 1).Draw(t, "pair")
			c.Update(&drift.Entry{Record: h.Record}, pair)
			raw, err := json.Marshal(c)
			require.NoError(t, err)
			var kept Checks
			require.NoError(t, json.Unmarshal(raw, &kept))
			require.Equal(t, c, kept)
		}
		later := now.Add(time.Duration(rapid.IntRange(0, 72).Draw(t, "hours")) * time.Hour)
		if d := c.Due(1, zone, later); d != nil && d.Reason != StartOfDay {
			require.Equal(t, d, c.Due(0, zone, later), "turning off the daily check leaves the others")
		}
		require.Nil(t, func() *Due {
			h := pass(later)
			c.Update(&drift.Entry{Record: h.Record}, pair)
			return c.Due(1, zone, later)
		}())
	})
}

// dirtyAndGivenUp is a machine whose session was given up after an inspection.
func dirtyAndGivenUp(life forecast.Life) *Subject {
	s := subject(failing(passing(20), 4, ""), life)
	s.Checks = checksOf(pass(today.Add(-time.Hour)), served(today.Add(-time.Minute), drift.Inspected, drift.Dirty))
	return s
}

// The rules and the states: electrode work and moves bind at once, the day's
// check once the machine is used.
func TestRulesMakeStates(t *testing.T) {
	morning := today.AddDate(0, 0, 1)
	fine := lasting(0.1, 5000)
	ruled := func(life forecast.Life, all ...happened) *Subject {
		s := subject(passing(20), life)
		s.Checks = checksOf(append([]happened{pass(today)}, all...)...)
		return s
	}
	for name, c := range map[string]struct {
		subject *Subject
		state   State
		first   string
		next    string
	}{
		"idle in the morning":   {ruled(fine), Fit, "Calibrate before the first splice: no calibration has passed today.", "Calibrate before the first splice."},
		"used in the morning":   {ruled(fine, spliced(morning, 4)), CheckFirst, "The machine has been used, and no calibration has passed today: calibrate before the next splice.", "Calibrate before the next splice."},
		"a new pair":            {ruled(fine, served(today.Add(time.Minute), drift.Replaced, "")), CheckFirst, "The electrodes were replaced on 2 Mar 2026, 22:31 UTC. No calibration has passed since: calibrate before the next splice.", "Calibrate before the next splice."},
		"a pair due, used":      {ruled(lasting(0.8, 300), spliced(morning, 4)), CheckFirst, "The machine has been used", "Calibrate before the next splice. Clean the electrodes by"},
		"a pair due, idle":      {ruled(lasting(0.8, 300)), ServiceSoon, "Chance that a session", "by Wed 11 Mar. Calibrate before the first splice."},
		"a stop stays one":      {ruled(lasting(0.7, 20), spliced(morning, 4)), Stop, "Chance that a session today", "Do not use this machine."},
		"found worn":            {ruled(fine, served(today.Add(time.Minute), drift.Inspected, drift.Worn)), ServiceSoon, "The bench found the electrodes worn on 2 Mar 2026. No service has been logged since.", "Replace the electrodes by Mon 16 Mar."},
		"found dirty":           {ruled(fine, served(today.Add(time.Minute), drift.Inspected, drift.Dirty)), ServiceSoon, "The bench found the electrodes dirty", "Clean the electrodes by Mon 16 Mar."},
		"found dirty, given up": {dirtyAndGivenUp(fine), Stop, "The bench found the electrodes dirty", "Do not use this machine. "},
		"found worn, then fine": {ruled(fine, served(today.Add(time.Minute), drift.Inspected, drift.Worn), served(today.Add(time.Hour), drift.Inspected, drift.Fine)), Fit, "Calibrate before the first", "Calibrate before the first"},
		"found worn, replaced":  {ruled(fine, served(today.Add(time.Minute), drift.Inspected, drift.Worn), served(today.Add(time.Hour), drift.Replaced, drift.Worn)), CheckFirst, "The electrodes were replaced", "Calibrate before the next splice."},
	} {
		t.Run(name, func(t *testing.T) {
			a := Assess(c.subject, morning)
			assert.Equal(t, c.state, a.State, "%q", a.Reasons)
			assert.True(t, strings.HasPrefix(a.Reasons[0], c.first), "%q", a.Reasons)
			assert.Contains(t, a.NextStep(morning), c.next)
			wellSaid(t, &a)
		})
	}
}

// The model never overrules a rule in silence: it says what it expects, and that
// the rule applies.
func TestTheModelMeetsTheRule(t *testing.T) {
	s := subject(passing(20), lasting(0.1, 5000))
	s.Checks = checksOf(pass(today))
	a := Assess(s, today.AddDate(0, 0, 1))
	assert.Contains(t, strings.Join(a.Reasons, " "), "The rule still applies.")
	s.Known, s.Settings.OutMinutes = passing(1), 1e5
	a = Assess(s, today.AddDate(0, 0, 1))
	assert.Contains(t, strings.Join(a.Reasons, " "), "The records agree")
}

// A new pair's conditioning arcs are named, a default as one.
func TestConditioningArcsAreNamed(t *testing.T) {
	s := subject(passing(20), lasting(0.1, 5000))
	s.Checks = checksOf(pass(today), served(today, drift.Replaced, ""))
	a := Assess(s, today)
	assert.Equal(t, "Burn the conditioning arcs of the new pair first: 20 unless the maker says otherwise (default; no setup states conditioning_arcs).", a.Reasons[1])
	s.Settings.ConditioningArcs, s.Settings.ConditioningStated = 35, true
	a = Assess(s, today)
	assert.Equal(t, "Burn the 35 conditioning arcs of the new pair first.", a.Reasons[1])
	s.Checks = checksOf(pass(today), served(today, drift.Cleaned, ""))
	a = Assess(s, today)
	assert.NotContains(t, strings.Join(a.Reasons, " "), "onditioning")
}

// A pass and three fails are no ground for a new pair, whatever the forecast.
func TestFewTypedRecordsOrderNoPair(t *testing.T) {
	for _, life := range []forecast.Life{lasting(0.9, 5), lasting(0.8, 300)} {
		for _, tries := range []int{3, 4, 6} {
			a := Assess(subject(failing(passing(1), tries, ""), life), today)
			assert.Equal(t, CheckFirst, a.State, "%d tries: %q", tries, a.Reasons)
			assert.NotContains(t, []Action{Clean, Replace}, a.Electrode.Action)
			assert.NotContains(t, a.NextStep(today), "Replace")
			assert.Contains(t, strings.Join(a.Reasons, " "), "too few records to tell whether the fibre ends or the electrodes")
			assert.Empty(t, a.Streak.Cause, "no chances beside a sentence that there are none")
			assert.NotContains(t, strings.Join(a.Reasons, " "), "Plan on")
			assert.True(t, strings.HasPrefix(a.NextStep(today), "Try another cleaver"), a.NextStep(today))
			wellSaid(t, &a)
		}
	}
}

// Who must stop and send the pair to the bench hears one order and one way out: no
// other cleaver, no arcs that the pair would last, no check that could wait.
func TestAStopGivesOneOrder(t *testing.T) {
	for name, s := range map[string]*Subject{
		"a streak":        subject(alike(alike(passing(20))), lasting(0.05, 300)),
		"found and given": dirtyAndGivenUp(lasting(0.1, 5000)),
	} {
		t.Run(name, func(t *testing.T) {
			if s.Checks.First.IsZero() {
				s.Checks = checksOf(pass(today.AddDate(0, 0, -1)), spliced(today, 3))
			}
			a := Assess(s, today.Add(10*time.Hour))
			require.Equal(t, Stop, a.State)
			require.NotNil(t, a.Due)
			text := strings.Join(a.Reasons, " ")
			for _, other := range []string{"cleaver", "arcs left", "plan on", "could wait", "Check before", "settle"} {
				assert.NotContains(t, text, other)
			}
			assert.Equal(t, 1, strings.Count(text, a.Clears()))
			assert.Equal(t, ServiceClears, a.Clears())
			assert.Contains(t, text, "practice after that is to inspect the electrodes")
		})
	}
}
