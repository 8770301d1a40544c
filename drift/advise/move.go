package advise

import (
	"fmt"
	"math"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/air"
	"arcdrift/drift/model"
	"arcdrift/drift/phrase"
)

// Site is everything the answer to a move rests on.
type Site struct {
	// Known is nil for a machine without a calibration.
	Known    *model.Machine
	Settings drift.Settings
	// These are the last calibration's, for saying how the places differ; unknown
	// values are left out.
	LastTemperature, LastHumidity, LastAltitude, LastPressure drift.Opt[float64]
	// Rules are those of the trade, Zone the machine's; UTC if nil.
	Rules Rules
	Zone  *time.Location
}

// Recalibrated answers the question of a crew that has moved. Condensation comes
// first: a machine colder than the dew point is to be left shut. Then a check that
// the rules of the trade ask for is due, whatever the air; that of the day does not
// depend on the move and is only mentioned. Then the chance of being out decides by cost;
// too little data means cannot-tell, and the advice is to recalibrate.
func (s *Site) Recalibrated(q Move) MoveAnswer {
	a := MoveAnswer{
		AskID: q.AskID, Machine: q.Machine, AsOf: q.AsOf.UTC(), Answer: CannotTell, Evidence: RuleOfThumb, Action: None,
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
	if haveT && !haveRH && q.stillCold() {
		a.chill("Keep the lid shut: the machine is colder than the air, and without the humidity nobody knows where water condenses. Enter the humidity, or wait until the machine is as warm as the place, then recalibrate.")
		return a
	}
	due := s.due(q.AsOf)
	if due != nil {
		a.CheckDue = &due.Reason
	}
	switch {
	case due != nil && due.Reason != StartOfDay:
		s.obey(&a, q, due, weighed)
	case weighed:
		s.choose(&a, q)
	}
	if due != nil && a.Answer == NoNeed {
		// Pages show the first reason beside the answer.
		a.Reasons = append([]string{"The move alone needs no calibration, but today's calibration is still due: calibrate before the first splice."}, a.Reasons...)
	}
	return a
}

func (s *Site) due(now time.Time) *Due { return s.Rules.Due(s.zone(), now) }

// Asks are the checks that the rules of the trade ask for from now on, if nothing
// new is recorded of the machine.
func (s *Site) Asks(now time.Time) []Ask { return s.Rules.Asks(s.zone(), now) }

func (s *Site) zone() *time.Location {
	if s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}

// obey answers where a rule of the trade asks for a check, and says what the
// model expects.
func (s *Site) obey(a *MoveAnswer, q Move, due *Due, weighed bool) {
	a.Answer = Recalibrate
	// Pages show the first reason beside the answer: so the whole rule is in it.
	a.Reasons = append([]string{strings.Join(s.Rules.words(due, s.zone()), " ")}, a.Reasons...)
	if !weighed {
		return
	}
	a.Reasons = append(a.Reasons, s.difference(q), s.stakes(a))
	if a.ProbabilityOut.Or(1) <= a.Cost.CheckMinutes/a.Cost.OutMinutes && s.Known.Streak().Attempts == 0 {
		a.Reasons = append(a.Reasons, "The change of air alone would not require a calibration. The rule still applies.")
	}
	a.qualify()
}

// stakes says the chance of being out, and what a check and being out cost.
func (s *Site) stakes(a *MoveAnswer) string {
	return fmt.Sprintf("Without a calibration, %s attempts would be out of tolerance. A check costs %s; being out costs %s.", phrase.Chance(a.ProbabilityOut.Or(1)),
		Minutes(a.Cost.CheckMinutes), Minutes(a.Cost.OutMinutes))
}

// qualify says what the chance rests on where that is little.
func (a *MoveAnswer) qualify() {
	switch a.Evidence {
	case MachinesLikeIt:
		a.Reasons = append(a.Reasons, "This machine has few records. The answer rests on machines like it.")
	case RuleOfThumb:
		a.Reasons = append(a.Reasons, "This machine and machines like it have few records. The answer is a rule of thumb.")
	}
}

// weigh works out the chance of being out and what it rests on, and says whether
// there was enough to go by; if not, it has given the reason.
func (s *Site) weigh(a *MoveAnswer, q Move) bool {
	missing := ""
	switch {
	case s.Known == nil || s.Known.Attempts() == 0:
		missing = "No calibration of this machine has been recorded yet."
	case !q.Temperature.Known():
		missing = "The temperature is missing."
	case !q.Pressure.Known() && !q.Altitude.Known():
		missing = "The altitude or the station pressure is missing."
	case q.disagrees():
		// Weather reports and phones give the pressure at sea level, with which every
		// mountain looks like the coast.
		missing = fmt.Sprintf("At %s the pressure is about %s, not %s. Enter the station pressure, not the one of a weather report, or the altitude alone.",
			whole(q.Altitude.Or(0), "m"), whole(air.PressureAt(q.Altitude.Or(0)), "hPa"), whole(q.Pressure.Or(0), "hPa"))
	}
	if missing != "" {
		a.Reasons = append(a.Reasons, missing+" Recalibrate to be safe.")
		return false
	}
	m := s.Known
	if q.Program != "" && q.Program != m.Program() {
		m = m.In(q.Program)
	}
	here := place(m, q)
	a.ProbabilityOut = rounded(m.StatedOut(here, burntSince(m, q.AsOf)), 1000)
	shift, variance := m.Shift(here.Air)
	a.ExpectedShift, a.SD = percent(shift), percentSD(shift, math.Sqrt(variance+here.Doubt))
	a.Evidence = evidence(m)
	if q.Program != "" && !s.Known.Ran(q.Program) {
		a.Reasons = append(a.Reasons, fmt.Sprintf("This machine has no calibration in program “%s” yet. The answer rests on its other programs and on machines like it.", q.Program))
	}
	const few = 3
	if m.Attempts() < few && a.Evidence == RuleOfThumb {
		a.Reasons = append(a.Reasons, fmt.Sprintf("There is too little to go by: %s of this machine and none of machines like it. Recalibrate to be safe.", phrase.Count(m.Attempts(), "record")))
		return false
	}
	return true
}

// disagrees says whether pressure and altitude cannot both be those of one place.
func (q *Move) disagrees() bool {
	return q.Pressure.Known() && q.Altitude.Known() && air.Disagree(q.Pressure.Or(0), q.Altitude.Or(0))
}

// whole writes a quantity without decimals.
func whole(x float64, unit string) string { return phrase.Unit(phrase.Fixed(x, 0), unit) }

// ownAttempts is how many attempts of a machine speak for it alone.
const ownAttempts = 10

// evidence says what the chance rests on mostly.
func evidence(m *model.Machine) Evidence {
	const alike = 100 // attempts
	switch {
	case m.Attempts() >= ownAttempts:
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

// SameAir says whether a question repeats the air of the last calibration, as a
// form filled in from it does when no value was changed. The bounds are what
// values lose in other units.
func (s *Site) SameAir(q Move) bool {
	return s.SameWeather(q) && same(q.Altitude, s.LastAltitude, 0.3) && same(q.Pressure, s.LastPressure, 0.3)
}

// SameWeather says so of temperature and humidity alone: at another height they are
// probably not the same.
func (s *Site) SameWeather(q Move) bool {
	return s.LastTemperature.Known() && same(q.Temperature, s.LastTemperature, 0.3) && same(q.Humidity, s.LastHumidity, 0)
}

func same(asked, last drift.Opt[float64], near float64) bool {
	return asked.Known() == last.Known() && math.Abs(asked.Or(0)-last.Or(0)) <= near
}

// place is the one asked about. Humidity left out counts as ordinary.
func place(m *model.Machine, q Move) model.Place {
	t := q.Temperature.Or(air.ReferenceTemperatureC)
	p := q.Pressure.Or(air.PressureAt(q.Altitude.Or(0)))
	return m.Place(t, q.Humidity.Or(model.TypicalHumidity), p, q.MachineTemperature.Or(t))
}

// unknownWarmUp replaces an unknown time constant of a machine: a guess on the safe
// side, by which a machine counts as cold for longer.
const unknownWarmUp = 60.0

// may is how warm a machine can have become in the air asked about that was last
// recorded in other air, and whether that is known. Its own temperature was not
// given.
func (s *Site) may(q Move, t float64) (warmest float64, known bool) {
	from, stated := s.LastTemperature.Get()
	if !stated || s.Known == nil || s.Known.Last().IsZero() {
		return 0, false
	}
	minutes := max(q.AsOf.Sub(s.Known.Last()).Minutes(), 0)
	return t - (t-from)*math.Exp(-minutes/s.Settings.WarmUp.Or(unknownWarmUp)), true
}

// wet says whether water would settle in the machine, and answers if so. A machine
// whose own temperature was not given is taken to be as cold as the air of its last
// calibration until it can have warmed.
func (s *Site) wet(a *MoveAnswer, q Move, t, rh float64) bool {
	c := air.CondensationIn(t, rh)
	machine, stated := q.MachineTemperature.Get()
	if cold, said := q.Cold.Get(); said && !stated && !cold {
		machine, stated = t, true
	}
	if q.stillCold() && !c.Saturated {
		if c.Wets(s.LastTemperature.Or(t)) {
			s.assume(a, t, c)
		} else {
			a.chill(fmt.Sprintf("Keep the lid shut: the machine is colder than the air, and water condenses on it below %s. Enter its own temperature, or wait until it is above that, then recalibrate.", degrees(c.DryC)))
		}
		return true
	}
	if !stated && !c.Saturated {
		warmest, known := s.may(q, t)
		if known && c.Wets(warmest) {
			s.assume(a, t, c)
			return true
		}
		if from := s.LastTemperature.Or(t); known && c.Wets(from) {
			a.Reasons = append(a.Reasons, fmt.Sprintf("If the machine has just come in from %s, keep the lid shut until it is above %s. Its own temperature was not given.", degrees(from), degrees(c.DryC)))
		}
	}
	if stated && !c.Wets(machine) || !stated && !c.Saturated {
		return false
	}
	// Whatever else is missing, the wait comes first.
	a.Answer, a.Reasons = Wait, a.Reasons[:0]
	a.WaitMinutes = drift.Opt[int]{}
	if c.Saturated {
		a.Reasons = append(a.Reasons, "The air is close to saturated: the machine will not dry here. Keep the lid shut, dry the air or move, then recalibrate.")
		return true
	}
	if tau, ok := s.Settings.WarmUp.Get(); ok {
		wait := int(math.Ceil(c.Wait(machine, tau)))
		a.WaitMinutes = drift.Some(wait)
		a.Reasons = append(a.Reasons, fmt.Sprintf("Wait %s with the lid shut: the machine is at %s, and water condenses here below %s. Then recalibrate.",
			phrase.Count(wait, "minute"), degrees(machine), degrees(c.DryC)))
		return true
	}
	a.Reasons = append(a.Reasons, fmt.Sprintf("Keep the lid shut until the machine is above %s: at %s water would condense in it. Then recalibrate. Its warm-up time is not known.",
		degrees(c.DryC), degrees(machine)))
	return true
}

// stillCold says whether all that is known of the machine's temperature is that it is
// below that of the air.
func (q *Move) stillCold() bool { return q.Cold.Or(false) && !q.MachineTemperature.Known() }

// chill answers to wait, nobody knows how long: whatever else is missing, that comes
// first.
func (a *MoveAnswer) chill(reason string) {
	a.Answer, a.WaitMinutes, a.Reasons = Wait, drift.Opt[int]{}, append(a.Reasons[:0], reason)
}

// assume answers for a machine that may still be as cold as it was. How long it
// has been here is unknown, so the minutes are an upper bound.
func (s *Site) assume(a *MoveAnswer, t float64, c air.Condensation) {
	from := s.LastTemperature.Or(t)
	a.Answer, a.WaitMinutes = Wait, drift.Opt[int]{}
	a.Reasons = append(a.Reasons[:0], fmt.Sprintf("Keep the lid shut: the machine may still be at %s, as at its last calibration, and water condenses here below %s.", degrees(from), degrees(c.DryC)))
	if tau, ok := s.Settings.WarmUp.Get(); ok {
		a.Reasons = append(a.Reasons, fmt.Sprintf("Enter the machine's own temperature, or wait %s, then recalibrate.", Minutes(math.Ceil(c.Wait(from, tau)))))
		return
	}
	a.Reasons = append(a.Reasons, "Enter the machine's own temperature, or wait until it is above that, then recalibrate. Its warm-up time is not known.")
}

// noRise is how much the chance of being out may have risen since a pass for the
// air to count as the same. Less than the cost of a check ever weighs.
const noRise = 0.02

// again says whether another calibration would be asked for, and for ever: one has
// just passed in this air, and even right after the next the chance of being out
// would be worth a check. Somewhere else, or hours later, a calibration finds out
// what has changed; and where the setting is likely wrong, it puts that right.
func (s *Site) again(q Move, p float64) bool {
	m := s.Known
	just := q.AsOf.Sub(m.Last()) < drift.SessionGap
	return just && !SettingWrong(m) && p <= m.StatedAgain()+noRise && m.OutAfterPass() > s.Settings.CheckMinutes/s.Settings.OutMinutes
}

// choose weighs the cost of a check against that of being out.
func (s *Site) choose(a *MoveAnswer, q Move) {
	p := a.ProbabilityOut.Or(1)
	streak := s.Known.Streak().Attempts
	a.Answer = NoNeed
	worth := a.Cost.CheckMinutes / a.Cost.OutMinutes
	switch {
	case streak > 0:
		a.Answer = Recalibrate
		a.Reasons = append(a.Reasons, lastFailed(streak)+", and none has passed since.")
	case p > worth && s.again(q, p):
		a.Action = Inspect
		a.Reasons = append(a.Reasons, fmt.Sprintf("Another calibration would change little: the machine has just passed in this air, and after another pass %s attempts would still be out. Inspect the electrodes instead.", phrase.Chance(s.Known.OutAfterPass())))
	case p > worth:
		a.Answer = Recalibrate
		if SettingWrong(s.Known) {
			a.Reasons = append(a.Reasons, "The setting is probably wrong, although the last calibration passed. Calibrate with fresh ends, and with another cleaver if there is one.")
		}
	}
	if a.Answer == NoNeed && a.Action == None {
		a.Reasons = append(a.Reasons, s.untold()...)
	}
	a.Reasons = append(a.Reasons, s.difference(q), s.stakes(a))
	a.qualify()
}

// untold says which difference of the places the answer leaves out, as the machine's
// records do not report it.
func (s *Site) untold() []string {
	switch never := s.Known.NeverTold(); {
	case never.Temperature:
		return []string{"The records of this machine state no temperature. If the air here is much different from the last calibration's, recalibrate."}
	case never.Pressure:
		return []string{"The records of this machine state no height or pressure. If this place is much higher or lower than the last, recalibrate."}
	}
	return nil
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
		add(phrase.Count(int(hours/24), "day") + " later")
	case hours >= 1:
		add(phrase.Count(int(hours), "hour") + " later")
	}
	if parts == 0 {
		add("no difference is known")
	}
	return where + "."
}

func degrees(c float64) string { return phrase.Quantity(c, "°C") }

// Minutes writes a cost or a wait: a setting need not be whole.
func Minutes(x float64) string {
	if x == 1 {
		return "1 minute"
	}
	return phrase.Number(x) + " minutes"
}

// change says a difference, rounded, with the word for its direction.
func change(d, step float64, unit, up, down, none string) string {
	d = math.Round(d/step) * step
	switch {
	case d > 0:
		return phrase.Unit(phrase.About(d), unit) + " " + up
	case d < 0:
		return phrase.Unit(phrase.About(-d), unit) + " " + down
	}
	return none
}
