package advise

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// today is late in the evening, so that zones differ in the date.
var today = time.Date(2026, 3, 2, 22, 30, 0, 0, time.UTC)

func usual() drift.Settings {
	var s drift.Setups
	return s.For("K-07", "", "")
}

// kind is a kind of machine that a hundred attempts have shown.
func kind() *model.Params {
	p := model.Prior()
	p.Target, p.Tolerance, p.Limit = drift.Some(260.0), drift.Some(26.0), drift.Some(12.0)
	p.Attempts = 500
	return &p
}

// passing is a machine with a good calibration on each of so many days up to
// today, forty arcs apart.
func passing(days int) *model.Machine {
	m := model.NewMachine("K-07", kind())
	for i := range days {
		arcs := float64(40 * (i + 1))
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today.AddDate(0, 0, i-days+1), Arcs: arcs, Step: 40, NewSession: true, Ordinal: 1, Tries: 1,
			Passed: true, Melt: drift.Some(0.0), Setting: drift.Some(0.5), Next: drift.Some(0.5),
		})
	}
	return m
}

// failing lets tries go wrong in one more session, ends as unlike as given.
func failing(m *model.Machine, tries int, cleaver string) *model.Machine {
	_, arcs, _, _ := m.Pair()
	for i := range tries {
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today, Arcs: arcs + float64(i+1), Step: 1, NewSession: i == 0, Ordinal: int64(i + 1), Tries: 1,
			Cleaver: cleaver, Correction: drift.Some(0.0),
		})
	}
	return m
}

// alike lets four tries miss by the same in one more session, which speaks for the
// electrodes.
func alike(m *model.Machine) *model.Machine {
	_, arcs, _, _ := m.Pair()
	for i := range 4 {
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today, Arcs: arcs + float64(i+1), Step: 1, NewSession: i == 0, Ordinal: int64(i + 1), Tries: 1,
			Melt: drift.Some(-20.0), Setting: drift.Some(0.5), Next: drift.Some(0.5),
		})
	}
	return m
}

// lasting is a forecast in which that share of lives ends after so many arcs and
// the rest outlives the horizon.
func lasting(share, arcs float64) forecast.Life {
	const n = 200
	l := forecast.Life{Horizon: forecast.Horizon, Arcs: slices.Repeat([]float64{math.Inf(1)}, n)}
	for i := range int(share * n) {
		l.Arcs[i] = arcs
	}
	return l
}

func subject(m *model.Machine, life forecast.Life) *Subject {
	return &Subject{Machine: "K-07", Model: "type-1", Records: 3, Last: today, Known: m, Life: life, Settings: usual()}
}

func TestEveryStateIsReached(t *testing.T) {
	warn := lasting(0.8, 300) // of 10 days' 400 arcs
	fine := lasting(0.1, 5000)
	soon, stop := Verdict{State: ServiceSoon}, Verdict{State: Stop}
	given := func() *model.Machine { return failing(failing(passing(20), 4, ""), 2, "") }
	for name, c := range map[string]struct {
		subject *Subject
		now     time.Time
		state   State
		action  Action
		reason  string
	}{
		"nothing known":              {&Subject{Machine: "K-07", Settings: usual()}, today, NoData, None, "No calibration has been recorded"},
		"no attempt yet":             {subject(model.NewMachine("K-07", kind()), fine), today, NoData, None, "No calibration has been recorded"},
		"silent":                     {subject(passing(20), fine), today.AddDate(0, 0, 6), NoData, None, "No calibration for 6 days"},
		"fit":                        {subject(passing(20), fine), today, Fit, None, "at least 5,000 arcs"},
		"one failed":                 {subject(failing(passing(20), 1, ""), fine), today, CheckFirst, None, "The last attempt failed."},
		"four failed":                {subject(failing(passing(20), 4, ""), fine), today, CheckFirst, Inspect, "If both tests point to this machine, inspect its electrodes."},
		"four failed, two cleavers":  {subject(failing(failing(passing(20), 2, "C-1"), 2, "C-2"), fine), today, CheckFirst, Inspect, "No pass in 4 attempts"},
		"four alike, a good pair":    {subject(alike(passing(20)), lasting(0.05, 300)), today, CheckFirst, Inspect, "Most likely cause: electrodes"},
		"four alike, a doubtful one": {subject(alike(passing(20)), lasting(0.1, 300)), today, Stop, Replace, "Most likely cause: electrodes"},
		"four alike, twice":          {subject(alike(alike(passing(20))), lasting(0.05, 300)), today, Stop, Replace, "Most likely cause: electrodes"},
		"four failed on a pair due":  {subject(failing(passing(20), 4, ""), warn), today, ServiceSoon, Replace, "No pass in 4 attempts"},
		"four failed on a dead one":  {subject(failing(passing(20), 4, ""), lasting(0.7, 20)), today, Stop, Replace, "No pass in 4 attempts"},
		"given up, and again":        {subject(given(), fine), today, CheckFirst, Inspect, "Most likely cause: fibre ends"},
		"likely to fail":             {subject(passing(20), warn), today, ServiceSoon, Replace, "about 8 in 10"},
		"likely to fail today":       {subject(passing(20), lasting(0.7, 20)), today, Stop, Replace, "today ends without a pass: about 7 in 10"},
		"silent but due":             {subject(passing(20), warn), today.AddDate(0, 0, 6), ServiceSoon, Replace, "about 8 in 10"},
		"a verdict confirmed":        {with(subject(passing(20), fine), soon, soon), today, ServiceSoon, Replace, "Earlier sessions showed this"},
		"only now":                   {with(subject(passing(20), warn), Verdict{State: Fit}, Verdict{State: Fit}), today, ServiceSoon, Replace, "about 8 in 10"},
		"only now, and not over":     {with(subject(failing(passing(20), 1, ""), warn), Verdict{State: Fit}, Verdict{State: Fit}), today, CheckFirst, None, "The last attempt failed."},
		"the middle of all three":    {with(subject(passing(20), fine), stop, soon), today, ServiceSoon, Replace, ""},
		"failed on a pair due":       {subject(failing(passing(20), 1, ""), warn), today, ServiceSoon, Replace, "The last attempt failed."},
		"beyond the machine's end":   {subject(beyond(), fine), today, Stop, Replace, "more power here than this machine can give (limit 12\u00a0%)"},
	} {
		t.Run(name, func(t *testing.T) {
			a := Assess(c.subject, c.now)
			assert.Equal(t, c.state, a.State, "%q", a.Reasons)
			if c.action == Clean || c.action == Replace { // which of them, see below
				assert.Contains(t, []Action{Clean, Replace}, a.Electrode.Action, "%q", a.Reasons)
			} else {
				assert.Equal(t, c.action, a.Electrode.Action, "%q", a.Reasons)
			}
			assert.Contains(t, strings.Join(a.Reasons, " "), c.reason)
			wellSaid(t, &a)
		})
	}
}

func with(s *Subject, earlier ...Verdict) *Subject {
	s.Earlier = earlier
	return s
}

// beyond is a machine at its limit whose every attempt asks for more.
func beyond() *model.Machine {
	m := passing(3)
	for i := range 20 {
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today, Arcs: 120, NewSession: true, Tries: 1, Passed: i%2 == 0,
			Melt: drift.Some(-30.0), Setting: drift.Some(11.3), Next: drift.Some(11.3),
		})
	}
	m.Update(&model.Event{Kind: model.Attempt, Time: today, Arcs: 120, NewSession: true, Tries: 1, Passed: true, Melt: drift.Some(-30.0), Setting: drift.Some(11.3), Next: drift.Some(11.3)})
	return m
}

// wellSaid holds an answer against the rules of wording: a reason always, the
// first in at most 25 words, no half sentence, no number that is none.
func wellSaid(t require.TestingT, a *Assessment) {
	require.NotEmpty(t, a.Reasons)
	require.LessOrEqual(t, len(strings.Fields(a.Reasons[0])), 25, a.Reasons[0])
	for _, r := range slices.Concat(a.Reasons, a.Warnings) {
		require.NotRegexp(t, `NaN|Inf|%!|-0[^.\d]|  `, r)
		require.Regexp(t, `^[A-Z].*[.?]$`, r)
	}
	text, err := json.Marshal(a)
	require.NoError(t, err)
	require.NotContains(t, string(text), `:-0,`)
	require.Contains(t, States(), a.State)
}

func TestAnySubjectGetsAnAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := model.NewMachine("K-07", kind())
		arcs := 0.0
		for i := range rapid.IntRange(0, 12).Draw(t, "events") {
			ev := model.Event{Time: today.AddDate(0, 0, i-12), Tries: 1, NewSession: true, Step: float64(rapid.IntRange(150, 400).Draw(t, "step"))}
			ev.Kind = rapid.SampledFrom([]model.Kind{model.Attempt, model.Attempt, model.Attempt, model.Cleaned, model.Usage}).Draw(t, "kind")
			arcs += ev.Step
			ev.Arcs = arcs
			ev.Passed = rapid.Bool().Draw(t, "passed")
			if rapid.Bool().Draw(t, "melt") {
				ev.Melt = drift.Some(rapid.Float64Range(-60, 60).Draw(t, "melted"))
			}
			if rapid.Bool().Draw(t, "setting") {
				ev.Setting = drift.Some(rapid.Float64Range(-11, 11).Draw(t, "set"))
			}
			if rapid.Bool().Draw(t, "correction") {
				ev.Correction = drift.Some(rapid.Float64Range(-5, 5).Draw(t, "corrected"))
			}
			m.Update(&ev)
		}
		s := subject(m, lasting(rapid.Float64Range(0, 1).Draw(t, "share"), rapid.Float64Range(1, 6000).Draw(t, "arcs")))
		for range rapid.IntRange(0, 2).Draw(t, "earlier") {
			s.Earlier = append(s.Earlier, Verdict{State: rapid.SampledFrom([]State{Fit, ServiceSoon, Stop}).Draw(t, "verdict")})
		}
		a := Assess(s, today)
		wellSaid(t, &a)
		assert.Equal(t, a, Assess(s, today), "a pure function of the subject")
	})
}

func TestActByIsADateOfTheMachinesZone(t *testing.T) {
	s := subject(passing(20), lasting(0.7, 20))
	for offset, want := range map[int]string{0: "2026-03-02", 2: "2026-03-03", -8: "2026-03-02", 13: "2026-03-03"} {
		s.Zone = time.FixedZone("", offset*3600)
		a := Assess(s, today)
		require.Equal(t, Stop, a.State)
		assert.Equal(t, drift.Some(want), a.Electrode.ActBy, "%d hours east", offset)
	}
	s.Zone = nil
	a := Assess(s, today)
	assert.Equal(t, drift.Some("2026-03-02"), a.Electrode.ActBy, "UTC")
	// Service soon plans on the early end: 200 arcs at 40 a day are 5 days.
	s = subject(passing(20), lasting(0.8, 200))
	a = Assess(s, today)
	require.Equal(t, ServiceSoon, a.State)
	assert.Equal(t, drift.Some("2026-03-07"), a.Electrode.ActBy)
	// Nothing to do, no date.
	a = Assess(subject(passing(20), lasting(0, 0)), today)
	assert.False(t, a.Electrode.ActBy.Known())
}

func TestADateBeyondPlanningIsNotGiven(t *testing.T) {
	m := model.NewMachine("K-07", kind())
	for i := range 20 {
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today.AddDate(0, 0, 30*(i-19)), Arcs: float64(i + 1), Step: 1, NewSession: true, Ordinal: 1, Tries: 1,
			Passed: true, Melt: drift.Some(0.0), Setting: drift.Some(0.5), Next: drift.Some(0.5),
		})
	}
	require.InDelta(t, 1.0/30, m.PerDay(), 1e-9)
	// 200 arcs are sixteen years at that pace, 20 are twenty months.
	far := Assess(subject(m, lasting(1, 200)), today)
	assert.Contains(t, strings.Join(far.Reasons, " "), "Plan on 200.")
	near := Assess(subject(m, lasting(1, 20)), today)
	assert.Contains(t, strings.Join(near.Reasons, " "), "Plan on 20 (about 600 days).")
	for _, a := range []Assessment{far, near} {
		if date, ok := a.Electrode.ActBy.Get(); ok {
			assert.Less(t, date, "2028-03-03")
		}
	}
}

func TestThirdCleanIsNotWorthIt(t *testing.T) {
	s := subject(passing(20), lasting(0.8, 300))
	for cleanings := range 3 {
		a := Assess(s, today)
		holds, ok := a.Electrode.CleanHolds.Get()
		require.True(t, ok)
		want := Replace
		if holds >= 0.5 && cleanings < 2 {
			want = Clean
		}
		assert.Equal(t, want, a.Electrode.Action, "after %d cleanings, a clean holds with %v", cleanings, holds)
		s.Known.Clean()
	}
}

func TestSettle(t *testing.T) {
	all := []State{Fit, ServiceSoon, Stop}
	of := func(states ...State) (out []Verdict) {
		for _, s := range states {
			out = append(out, Verdict{State: s})
		}
		return out
	}
	for i, a := range all {
		assert.Equal(t, a, debounce(Verdict{State: a}, nil, false))
		for j, b := range all {
			for k, c := range all {
				ranks := []int{i, j, k}
				slices.Sort(ranks)
				got := debounce(Verdict{State: c}, of(a, b), false)
				switch {
				case ranks[1] > 0:
					assert.Equal(t, all[ranks[1]], got, "the middle of %s, %s, %s", a, b, c)
				case i == 1 || j == 1 || k == 1:
					assert.Equal(t, ServiceSoon, got, "one call is enough: %s, %s, %s", a, b, c)
				default:
					assert.Equal(t, Fit, got, "one stop alone is not: %s, %s, %s", a, b, c)
				}
				// No one session, whatever it says, takes a service back that two called.
				assert.NotEqual(t, Fit, debounce(Verdict{State: c}, of(ServiceSoon, ServiceSoon), false))
			}
		}
	}
	dirt := Verdict{State: Stop, Failing: 0.9}
	assert.Equal(t, ServiceSoon, debounce(dirt, of(Fit, Fit), false), "dirt calls at once, and stops a session later")
	assert.Equal(t, Fit, debounce(dirt, of(Fit, Fit), true), "but not while tries fail: the session may end well")
	assert.Equal(t, ServiceSoon, debounce(Verdict{State: Fit}, []Verdict{dirt, {State: Fit}}, true))
}

// A single record, however extreme, calls for no service of
// a machine that was fit: the model believes none alone.
func TestNoRecordAloneCallsForService(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := passing(rapid.IntRange(20, 60).Draw(t, "sessions before"))
		judge := func() Verdict {
			return Judge(m, forecast.Run(m, forecast.Plan{Paths: 300, Horizon: VerdictHorizon(m), AttemptLimit: 4, Seed: 1}))
		}
		before := []Verdict{judge(), judge()}
		require.Equal(t, Fit, debounce(before[0], before, false))
		_, arcs, _, _ := m.Pair()
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today, Arcs: arcs + 40, Step: 40, NewSession: true, Ordinal: 1, Tries: 1, Passed: true,
			Melt: drift.Some(rapid.Float64Range(-60, 60).Draw(t, "melt")), Setting: drift.Some(0.5), Next: drift.Some(0.5),
		})
		require.Equal(t, Fit, debounce(judge(), before, false))
	})
}

func TestCauses(t *testing.T) {
	of := func(s model.Streak, cause string) float64 {
		out := Streak{Cause: causes(s)}
		return out.blame(cause)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := model.Streak{
			Attempts: 3, BadEnd: rapid.Float64Range(0, 1).Draw(t, "bad ends"),
			OutBefore: rapid.Float64Range(0.001, 1).Draw(t, "before"), OutNow: rapid.Float64Range(0.001, 1).Draw(t, "now"),
		}
		list := causes(s)
		require.Len(t, list, 3)
		sum := 0.0
		for i, c := range list {
			sum += c.Probability
			require.True(t, c.Probability >= 0 && c.Probability <= 1)
			require.True(t, i == 0 || c.Probability <= list[i-1].Probability, "likeliest first")
		}
		// Three numbers rounded to hundredths.
		assert.InDelta(t, 1, sum, 0.0151)

		other := s
		other.OtherCleaver = true
		assert.LessOrEqual(t, of(other, CauseEnds), of(s, CauseEnds), "another cleaver that fails speaks against the ends")
		worse := s
		worse.OutNow = min(1, s.OutNow*1.5)
		assert.GreaterOrEqual(t, of(worse, CauseAir), of(s, CauseAir), "an air that raises the chance of a miss takes blame")
		assert.GreaterOrEqual(t, of(model.Streak{BadEnd: min(1, s.BadEnd+0.2)}, CauseEnds), of(model.Streak{BadEnd: s.BadEnd}, CauseEnds))
		if s.OutNow <= s.OutBefore {
			assert.Zero(t, of(s, CauseAir))
		}
	})
	// A third of the odds: 0.6 is 3 to 2, then 1 to 2.
	assert.Equal(t, 0.33, of(model.Streak{BadEnd: 0.6, OtherCleaver: true}, CauseEnds))
	// The air explains three parts in four of a chance that rose fourfold.
	assert.Equal(t, 0.75, of(model.Streak{OutBefore: 0.1, OutNow: 0.4}, CauseAir))
	assert.Zero(t, (&Streak{}).blame(CauseEnds))
}

func TestStreakByLuck(t *testing.T) {
	s := streakOf(failing(passing(60), 1, ""))
	one, ok := s.ByLuck.Get()
	require.True(t, ok)
	s = streakOf(failing(passing(60), 4, ""))
	four, _ := s.ByLuck.Get()
	assert.Greater(t, one, 0.2, "a single fail in a month is common where one in eighty fails: 1 − (79/80)^30 = 0.31, and less where 60 passes are on record")
	assert.Less(t, four, 0.01)
	assert.Nil(t, streakOf(passing(5)).Cause)
	assert.Equal(t, Streak{Attempts: 4, Sessions: 1}, Streak{Attempts: s.Attempts, Sessions: s.Sessions})
}

func TestRounded(t *testing.T) {
	assert.Equal(t, "0", fmt.Sprint(rounded(-0.001, 100).Or(1)))
	assert.False(t, rounded(math.NaN(), 10).Known() || rounded(math.Inf(1), 10).Known())
}

// A pair that will fail in 25 days is not yet worth a call on a machine that
// calibrates daily. On one that calibrates every fortnight the session after next
// is too late to hear of it.
func TestSeldomCalibratedIsCalledInTime(t *testing.T) {
	const perDay = 40.0
	after := func(gap float64) *model.Machine {
		m := model.NewMachine("K-07", new(model.Prior()))
		for n := range 12 {
			at := float64(n) * gap
			m.Update(&model.Event{Kind: model.Attempt, Time: time.Unix(0, 0).Add(time.Duration(at * 24 * float64(time.Hour))), NewSession: true,
				Tries: 1, Passed: true, Arcs: perDay * at, Step: perDay * gap, Melt: drift.Some(0.0), Setting: drift.Some(0.0), Next: drift.Some(0.0)})
		}
		return m
	}
	life := forecast.Life{Arcs: []float64{25 * perDay}, Horizon: forecast.Horizon}
	assert.Equal(t, Fit, Judge(after(1), life).State)
	assert.Equal(t, ServiceSoon, Judge(after(14), life).State)
	assert.InDelta(t, 35, CallAhead(after(14)), 0.5)
	assert.InDelta(t, 90, CallAhead(after(200)), 1e-9, "idle for months")
}
