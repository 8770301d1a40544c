package advise

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

func some(x float64) drift.Opt[float64] { return drift.Some(x) }

// asked is a question about an ordinary place, an hour after the last attempt.
func asked(change ...func(*Move)) Move {
	q := Move{Machine: "K-07", AsOf: today.Add(time.Hour), AskID: "a1", Temperature: some(20), Humidity: some(50), Pressure: some(1013)}
	for _, c := range change {
		c(&q)
	}
	return q
}

func at(t, rh, machine float64) func(*Move) {
	return func(q *Move) { q.Temperature, q.Humidity, q.MachineTemperature = some(t), some(rh), some(machine) }
}

func TestEveryAnswerIsReached(t *testing.T) {
	known := Site{Known: passing(60), Settings: usual(), LastTemperature: some(18), LastAltitude: some(100)}
	few := Site{Known: passing(2), Settings: usual()}
	few.Known.Params().Attempts = 0
	for name, c := range map[string]struct {
		site     Site
		q        Move
		answer   Answer
		evidence Evidence
		reason   string
	}{
		"nothing changed":        {known, asked(), NoNeed, ThisMachine, "2\u00a0°C warmer, 1 hour later."},
		"up a high mountain":     {known, asked(func(q *Move) { q.Pressure, q.Altitude = drift.Opt[float64]{}, some(3500) }), Recalibrate, ThisMachine, "3,400\u00a0m higher"},
		"cold into damp air":     {known, asked(at(25, 70, -5)), Wait, ThisMachine, "lid shut"},
		"saturated air":          {known, asked(func(q *Move) { q.Humidity = some(99) }), Wait, ThisMachine, "the machine will not dry here"},
		"nothing known":          {Site{Settings: usual()}, asked(), CannotTell, RuleOfThumb, "No calibration of this machine has been recorded yet. Recalibrate to be safe."},
		"too little known":       {few, asked(), CannotTell, RuleOfThumb, "2 records of this machine"},
		"no temperature":         {known, asked(func(q *Move) { q.Temperature = drift.Opt[float64]{} }), CannotTell, RuleOfThumb, "The temperature is missing."},
		"neither height nor hPa": {known, asked(func(q *Move) { q.Pressure = drift.Opt[float64]{} }), CannotTell, RuleOfThumb, "The altitude or the station pressure is missing."},
		// A report's pressure, reduced to sea level, would hide the mountain.
		"hPa of a report": {known, asked(func(q *Move) { q.Altitude = some(2400) }), CannotTell, RuleOfThumb, "At 2,400\u00a0m the pressure is about 756\u00a0hPa, not 1,013\u00a0hPa. Enter the station pressure"},
		"hPa of a low":    {known, asked(func(q *Move) { q.Altitude, q.Pressure = some(100), some(975) }), NoNeed, ThisMachine, "same height"},
		"others like it":  {Site{Known: passing(4), Settings: usual()}, asked(), NoNeed, MachinesLikeIt, "machines like it"},
		"a streak":        {Site{Known: failing(passing(60), 1, ""), Settings: usual()}, asked(), Recalibrate, ThisMachine, "The last attempt failed, and none has passed since."},
	} {
		t.Run(name, func(t *testing.T) {
			a := c.site.Recalibrated(c.q)
			assert.Equal(t, c.answer, a.Answer, "%q %v", a.Reasons, a.ProbabilityOut)
			assert.Equal(t, c.evidence, a.Evidence)
			assert.Contains(t, strings.Join(a.Reasons, " "), c.reason)
			assert.Equal(t, [2]string{"K-07", "a1"}, [2]string{a.Machine, a.AskID})
			assert.Equal(t, Cost{CheckMinutes: 5, OutMinutes: 60}, a.Cost, "both costs are shown")
			require.NotEmpty(t, a.Reasons)
			for _, r := range a.Reasons {
				assert.Regexp(t, `^[A-Z].*\.$`, r)
			}
		})
	}
}

// Where records leave out the height or the temperature, an answer of no need says what it
// does not know.
func TestNoNeedSaysWhatTheRecordsLeaveOut(t *testing.T) {
	of := func(never model.AirParts) []string {
		m := passing(60)
		m.Update(&model.Event{
			Kind: model.Attempt, Time: today, Arcs: 2440, Step: 40, NewSession: true, Ordinal: 1, Tries: 1, Passed: true,
			Melt: some(0), Setting: some(0.5), Next: some(0.5), NeverTold: never,
		})
		a := (&Site{Known: m, Settings: usual()}).Recalibrated(asked())
		require.Equal(t, NoNeed, a.Answer)
		return a.Reasons
	}
	assert.NotContains(t, strings.Join(of(model.AirParts{}), " "), "state no")
	assert.Contains(t, of(model.AirParts{Pressure: true})[0], "state no height or pressure")
	assert.Contains(t, of(model.AirParts{Temperature: true, Pressure: true})[0], "state no temperature")
}

// The wait to the dew point is τ·ln((Tair − Tmachine)/(Tair − Tdew)); this tool
// waits for its margin too. Dew points: inversion of the Magnus form (WMO-No. 8).
func TestWaitForTheDewPoint(t *testing.T) {
	s := Site{Known: passing(60), Settings: usual()}
	s.Settings.WarmUp = some(30)
	for _, c := range []struct {
		t, rh, dew float64
		bare       float64 // to the dew point itself, in τ
	}{{22, 50, 11.0946, 0.91}, {25, 70, 19.1451, 1.63}, {30, 80, 26.1688, 2.21}} {
		t.Run(fmt.Sprint(c.t), func(t *testing.T) {
			a := s.Recalibrated(asked(at(c.t, c.rh, -5)))
			require.Equal(t, Wait, a.Answer)
			dry := c.dew + math.Min(2, (c.t-c.dew)/2)
			minutes, ok := a.WaitMinutes.Get()
			require.True(t, ok)
			assert.Equal(t, int(math.Ceil(30*math.Log((c.t+5)/(c.t-dry)))), minutes)
			assert.Greater(t, float64(minutes), 30*c.bare)
			assert.InDelta(t, c.dew, a.DewPoint.Or(0), 0.051, "given to a tenth")
			assert.Len(t, a.Reasons, 1)

			// One degree below dry it is a short wait; at dry there is none.
			assert.Equal(t, Wait, answer(&s, asked(at(c.t, c.rh, dry-1))))
			assert.NotEqual(t, Wait, answer(&s, asked(at(c.t, c.rh, dry+0.01))))
			// Without the machine's temperature it is unknown that it is cold.
			assert.NotEqual(t, Wait, answer(&s, asked(at(c.t, c.rh, -5), func(q *Move) { q.MachineTemperature = drift.Opt[float64]{} })))
		})
	}

	s.Settings.WarmUp = drift.Opt[float64]{}
	a := s.Recalibrated(asked(at(22, 50, -5)))
	assert.Equal(t, Wait, a.Answer)
	assert.False(t, a.WaitMinutes.Known(), "without the warm-up time it is unknown how long")
	assert.Contains(t, a.Reasons[0], "13.1\u00a0°C")

	s.Settings.WarmUp = some(30)
	a = s.Recalibrated(asked(at(10, 99, 5)))
	assert.Equal(t, Wait, a.Answer)
	assert.False(t, a.WaitMinutes.Known(), "near saturation the wait has no end")

	// Water comes first even where nothing else is known.
	unknown := Site{Settings: s.Settings}
	a = unknown.Recalibrated(asked(at(22, 50, -5)))
	assert.Equal(t, Wait, a.Answer)
	assert.Equal(t, drift.Some(34), a.WaitMinutes)
	assert.Contains(t, a.Reasons[0], "Wait 34 minutes")
}

func answer(s *Site, q Move) Answer {
	a := s.Recalibrated(q)
	return a.Answer
}

// Checking costs less than being out exactly when the chance of being out is
// above the ratio of the costs.
func TestMovesAreWeighedByCost(t *testing.T) {
	known := passing(60)
	rapid.Check(t, func(t *rapid.T) {
		s := Site{Known: known, Settings: usual()}
		s.Settings.CheckMinutes = float64(rapid.IntRange(1, 30).Draw(t, "check"))
		s.Settings.OutMinutes = float64(rapid.IntRange(30, 600).Draw(t, "out"))
		q := asked(func(q *Move) {
			q.Temperature = some(rapid.Float64Range(10, 30).Draw(t, "t"))
			q.Pressure = some(rapid.Float64Range(650, 1040).Draw(t, "p"))
		})
		a := s.Recalibrated(q)
		p, ok := a.ProbabilityOut.Get()
		require.True(t, ok && p >= 0 && p <= 1)
		want := NoNeed
		if p > s.Settings.CheckMinutes/s.Settings.OutMinutes {
			want = Recalibrate
		}
		assert.Equal(t, want, a.Answer)
		assert.True(t, a.SD.Or(-1) >= 0)
	})
}

// Less dense air takes more power: the prior says so, and nothing here speaks
// against it.
func TestThinnerAirNeedsMorePower(t *testing.T) {
	s := Site{Known: passing(60), Settings: usual()}
	last := math.Inf(-1)
	for _, h := range []float64{0, 500, 1500, 2500, 4000} {
		a := s.Recalibrated(asked(func(q *Move) { q.Pressure, q.Altitude = drift.Opt[float64]{}, some(h) }))
		shift := a.ExpectedShift.Or(math.NaN())
		assert.Greater(t, shift, last)
		last = shift
	}
}

// Asked about another program the answer is for that one, and says when it is new
// to the machine. The machine itself stays as it was.
func TestAMoveInAnotherProgram(t *testing.T) {
	p := kind()
	p.Programs = []model.Program{{Name: "a", Gain: 1}, {Name: "b", Offset: 6, OffsetSD: 0.5, Gain: 1}}
	m := model.NewMachine("K-07", p)
	at := time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)
	for day := range 20 {
		m.Update(&model.Event{
			Kind: model.Attempt, Time: at.AddDate(0, 0, day), Arcs: 40 * float64(day+1), Step: 40, Tries: 1, NewSession: true, Passed: true, Program: "a",
			Melt: drift.Some(0.0), Setting: drift.Some(0.0), Next: drift.Some(0.0),
		})
	}
	site := Site{Known: m, Settings: drift.Settings{CheckMinutes: 5, OutMinutes: 60}}
	q := Move{Machine: "K-07", AsOf: at.AddDate(0, 0, 19).Add(time.Hour), Temperature: drift.Some(20.0), Humidity: drift.Some(60.0), Altitude: drift.Some(0.0)}
	same := site.Recalibrated(q)
	q.Program = "a"
	assert.Equal(t, same, site.Recalibrated(q))
	q.Program = "b"
	other := site.Recalibrated(q)
	assert.Greater(t, other.ProbabilityOut.Or(0), same.ProbabilityOut.Or(1)+0.2)
	assert.Contains(t, strings.Join(other.Reasons, " "), "no calibration in program “b” yet")
	assert.Equal(t, "a", m.Program())
}

// A machine that is said to be colder than the air waits, even where nobody knows how cold
// it is or how damp the air; one that is as warm as the place does not.
func TestAMachineThatIsStillCold(t *testing.T) {
	s := Site{Known: passing(60), Settings: usual()}
	ask := func(cold drift.Opt[bool], change ...func(*Move)) MoveAnswer {
		q := asked(at(22, 50, 0), func(q *Move) { q.MachineTemperature, q.Cold = drift.Opt[float64]{}, cold })
		for _, c := range change {
			c(&q)
		}
		return s.Recalibrated(q)
	}
	s.LastTemperature = some(20)
	a := ask(drift.Some(true))
	assert.Equal(t, Wait, a.Answer)
	assert.False(t, a.WaitMinutes.Known())
	assert.Contains(t, a.Reasons[0], "colder than the air, and water condenses on it below 13.1\u00a0°C")

	s.LastTemperature = some(-5)
	a = ask(drift.Some(true))
	assert.Equal(t, Wait, a.Answer)
	assert.Contains(t, a.Reasons[0], "may still be at −5\u00a0°C, as at its last calibration")

	assert.NotEqual(t, Wait, ask(drift.Some(false)).Answer)
	assert.Equal(t, ask(drift.Some(false), func(q *Move) { q.MachineTemperature = some(22) }), ask(drift.Some(false)), "as warm as the place")
	assert.NotEqual(t, Wait, ask(drift.Some(true), func(q *Move) { q.MachineTemperature = some(18) }).Answer, "a stated temperature wins")

	a = ask(drift.Some(true), func(q *Move) { q.Humidity = drift.Opt[float64]{} })
	assert.Equal(t, Wait, a.Answer)
	assert.Contains(t, a.Reasons[0], "without the humidity nobody knows where water condenses")
}
