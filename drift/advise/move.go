package advise

import (
	"fmt"
	"math"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/air"
	"arcdrift/drift/model"
)

// Site is everything the answer to a move rests on.
type Site struct {
	// Known is nil for a machine without a calibration.
	Known    *model.Machine
	Settings drift.Settings
	// LastAir is the last calibration's, for saying how the places differ;
	// unknown values are left out.
	LastTemperature, LastAltitude drift.Opt[float64]
}

// Recalibrated answers the question of a crew that has moved. Condensation comes
// first: a machine colder than the dew point is to be left shut. Then the chance
// of being out decides by cost; too little data means cannot-tell, and the
// advice is to recalibrate.
func (s *Site) Recalibrated(q Move) MoveAnswer {
	a := MoveAnswer{
		AskID: q.AskID, Machine: q.Machine, AsOf: q.AsOf.UTC(), Answer: CannotTell, Evidence: RuleOfThumb,
		WaitMinutes: drift.Some(0), Reasons: []string{},
		Cost: Cost{CheckMinutes: s.Settings.CheckMinutes, OutMinutes: s.Settings.OutMinutes},
	}
	t, haveT := q.Temperature.Get()
	rh, haveRH := q.Humidity.Get()
	if haveT && haveRH {
		a.DewPoint = rounded(air.DewPoint(t, rh), 10)
	}
	weighed := s.weigh(&a, q)
	if haveT && haveRH && s.wet(&a, q, t, rh) {
		return a
	}
	if !weighed {
		return a
	}
	s.choose(&a, q)
	return a
}

// weigh works out the chance of being out and what it rests on, and says whether
// there was enough to go by; if not, it has given the reason.
func (s *Site) weigh(a *MoveAnswer, q Move) bool {
	missing := ""
	switch {
	case s.Known == nil || s.Known.Attempts() == 0:
		missing = "Nothing is known of this machine yet."
	case !q.Temperature.Known():
		missing = "The temperature is missing."
	case !q.Pressure.Known() && !q.Altitude.Known():
		missing = "The altitude or the station pressure is missing."
	}
	if missing != "" {
		a.Reasons = append(a.Reasons, missing+" Play safe: recalibrate.")
		return false
	}
	m := s.Known
	here := regressors(q)
	a.ProbabilityOut = rounded(m.OutChance(here, burntSince(m, q.AsOf)), 1000)
	shift, variance := m.Shift(here)
	a.ExpectedShift, a.SD = percent(shift), percentSD(shift, math.Sqrt(variance))
	a.Evidence = evidence(m)
	const few = 3
	if m.Attempts() < few && a.Evidence == RuleOfThumb {
		a.Reasons = append(a.Reasons, fmt.Sprintf("Only %s of this machine and none of its like. Play safe: recalibrate.", plural(float64(m.Attempts()), "record")))
		return false
	}
	return true
}

// evidence says what the chance rests on mostly.
func evidence(m *model.Machine) Evidence {
	const own, alike = 10, 100 // attempts
	switch {
	case m.Attempts() >= own:
		return ThisMachine
	case m.Params().Attempts >= alike:
		return MachinesLikeIt
	}
	return RuleOfThumb
}

// burntSince is how many arcs the machine has likely burnt since its last
// attempt; after a week nothing more is guessed.
func burntSince(m *model.Machine, now time.Time) float64 {
	const most = 7
	return m.PerDay() * min(max(now.Sub(m.Last()).Hours()/24, 0), most)
}

// regressors are those of the air asked about. Humidity left out counts as
// ordinary.
func regressors(q Move) [3]float64 {
	t := q.Temperature.Or(air.ReferenceTemperatureC)
	p := q.Pressure.Or(air.PressureAt(q.Altitude.Or(0)))
	return model.Regressors(t, q.Humidity.Or(model.TypicalHumidity), p, q.MachineTemperature.Or(t))
}

// wet says whether water would settle in the machine, and answers if so.
func (s *Site) wet(a *MoveAnswer, q Move, t, rh float64) bool {
	c := air.CondensationIn(t, rh)
	machine, told := q.MachineTemperature.Get()
	if told && !c.Wets(machine) || !told && !c.Saturated {
		return false
	}
	// Whatever else is missing, the wait comes first.
	a.Answer, a.Reasons = Wait, a.Reasons[:0]
	a.WaitMinutes = drift.Opt[int]{}
	if c.Saturated {
		a.Reasons = append(a.Reasons, "The air is close to saturated: waiting has no end here. Dry the air or move, lid shut, then recalibrate.")
		return true
	}
	if tau, ok := s.Settings.WarmUp.Get(); ok {
		minutes := int(math.Ceil(c.Wait(machine, tau)))
		a.WaitMinutes = drift.Some(minutes)
		a.Reasons = append(a.Reasons, fmt.Sprintf("Wait %s, lid shut: the machine is at %s °C and this air wets anything below %s °C. Then recalibrate.",
			plural(float64(minutes), "minute"), number(machine), number(c.DryC)))
		return true
	}
	a.Reasons = append(a.Reasons, fmt.Sprintf("Leave the lid shut until the machine is above %s °C: at %s °C this air would wet it. Then recalibrate. How long that takes is not known for this machine.",
		number(c.DryC), number(machine)))
	return true
}

// choose weighs the cost of a check against that of being out.
func (s *Site) choose(a *MoveAnswer, q Move) {
	p := a.ProbabilityOut.Or(1)
	streak := s.Known.Streak().Attempts
	a.Answer = NoNeed
	switch {
	case streak > 0:
		a.Answer = Recalibrate
		a.Reasons = append(a.Reasons, lastFailed(streak)+" and nothing has passed since.")
	case p > a.Cost.CheckMinutes/a.Cost.OutMinutes:
		a.Answer = Recalibrate
	}
	a.Reasons = append(a.Reasons, s.difference(q))
	a.Reasons = append(a.Reasons, fmt.Sprintf("%s would be out without it. A check costs %s, being out %s.", chance(p),
		plural(a.Cost.CheckMinutes, "minute"), plural(a.Cost.OutMinutes, "minute")))
	switch a.Evidence {
	case MachinesLikeIt:
		a.Reasons = append(a.Reasons, "That rests on other machines like it: this one has few records.")
	case RuleOfThumb:
		a.Reasons = append(a.Reasons, "That is a rule of thumb: there are few records of this machine and its like.")
	}
}

// difference says in words how this place differs from the last calibration's.
func (s *Site) difference(q Move) string {
	where := "Compared with the last calibration: "
	parts := 0
	add := func(text string) {
		if parts > 0 {
			where += ", "
		}
		where += text
		parts++
	}
	if from, ok := s.LastAltitude.Get(); ok && q.Altitude.Known() {
		add(change(q.Altitude.Or(0)-from, 10, "m", "higher", "lower", "same height"))
	}
	if from, ok := s.LastTemperature.Get(); ok {
		add(change(q.Temperature.Or(0)-from, 1, "°C", "warmer", "cooler", "same temperature"))
	}
	hours := q.AsOf.Sub(s.Known.Last()).Hours()
	switch {
	case hours >= 48:
		add(plural(math.Floor(hours/24), "day") + " later")
	case hours >= 1:
		add(plural(math.Floor(hours), "hour") + " later")
	}
	if parts == 0 {
		add("no difference that matters")
	}
	return where + "."
}

// change says a difference, rounded, with the word for its direction.
func change(d, step float64, unit, up, down, none string) string {
	d = math.Round(d/step) * step
	switch {
	case d > 0:
		return thousands(d) + " " + unit + " " + up
	case d < 0:
		return thousands(-d) + " " + unit + " " + down
	}
	return none
}
