package advise

import (
	"fmt"
	"math"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/phrase"
)

// Assess answers for one machine as of now: a pure function of the subject.
func Assess(s *Subject, now time.Time) Assessment {
	w := Prepare(s)
	return w.At(now)
}

// PendingAssessment is the answer for one machine before a date is put to it: all that
// has to be kept of a machine to answer again while no new record arrives.
type PendingAssessment struct {
	answer Assessment
	// last is the last calibration and gap the usual days between two; zero
	// without any.
	last time.Time
	gap  float64
	// days until the pair must be seen to; NaN where nothing is asked.
	days  float64
	by    time.Time // at the latest; zero where only days say
	zone  *time.Location
	pair  string // the reason about the pair
	rules Rules
	asked []drift.Question
}

// Prepare does the part of [Assess] that does not depend on the moment, the
// expensive one. The subject is not kept.
func Prepare(s *Subject) PendingAssessment {
	w := PendingAssessment{days: math.NaN(), zone: s.Zone, rules: RulesOf(s.Checks, &s.Settings), answer: Assessment{
		Machine: s.Machine, State: NoData,
		Data:      Data{Grade: NoRecords, Records: s.Records, Refused: s.Refused},
		Electrode: Electrode{HorizonArcs: forecast.Horizon, Action: None},
		Warnings:  append([]string{}, s.Questions...),
		Questions: []drift.Question{},
	}}
	w.asked = s.Asked
	if w.zone == nil {
		w.zone = time.UTC
	}
	a := &w.answer
	if s.Model != "" {
		name := s.Model // a pointer into the subject would keep all of it
		a.Model = &name
	}
	if !s.Last.IsZero() {
		a.Data.Last = drift.Some(s.Last.UTC())
	}
	if s.Known == nil || s.Known.Last().IsZero() {
		a.Reasons = []string{"No calibration has been recorded for this machine."}
		return w
	}
	w.last, w.gap = s.Known.Last(), s.Known.Gap()
	a.Data.Grade = grades[s.Known.Grade()]
	a.describe(s)
	a.Streak = streakOf(s.Known)
	w.decide(s)
	return w
}

// planable is how many days ahead a date means something: a machine that is
// idle most of the time wears out some day, not on one.
const planable = 730.0

// At answers as of now.
func (w *PendingAssessment) At(now time.Time) Assessment {
	a := w.answer
	a.AsOf = now.UTC()
	for _, q := range w.asked {
		if now.Sub(q.At) <= drift.AskedFor {
			a.Ask(q)
		}
	}
	a.Reasons = slices.Clip(a.Reasons)
	silent := w.silence(now)
	if silent > 0 {
		if a.State == Fit {
			a.State = NoData
		}
		a.Reasons = append(a.Reasons, fmt.Sprintf("No calibration for %s: calibrate before the next splice.", phrase.Count(int(silent), "day")))
	}
	w.ask(&a, now, silent > 0)
	if p := a.Drift.ProbabilityOut.Or(0); a.State == Fit && a.Due == nil && p > w.rules.Worth {
		a.Reasons = append(a.Reasons, "At the present setting, "+phrase.Chance(p)+" attempts would be out of tolerance.")
		// Right after a pass another would change little: the site check says so too.
		a.CheckPays = now.Sub(w.last) >= drift.SessionGap
	}
	if w.pair != "" {
		a.Reasons = append(a.Reasons, w.pair)
	}
	if clear := a.Clears(); clear != "" && !w.last.IsZero() {
		a.Reasons = append(a.Reasons, clear)
	}
	act := w.by
	if w.days <= planable {
		act = soonest(act, now.Add(time.Duration(w.days*24*float64(time.Hour))))
	}
	if !act.IsZero() {
		a.Electrode.ActBy = drift.Some(act.In(w.zone).Format(time.DateOnly))
	}
	return a
}

// soonest is the earlier of two moments of which the first may be none.
func soonest(a, b time.Time) time.Time {
	if a.IsZero() || b.Before(a) {
		return b
	}
	return a
}

// ask lets the rules of the trade have their say: a check that is due and binds
// makes the machine one to check first, whatever the model expects of it.
func (w *PendingAssessment) ask(a *Assessment, now time.Time, silent bool) {
	a.Due = w.rules.Due(w.zone, now)
	if a.Due == nil {
		return
	}
	words := w.rules.words(a.Due, w.zone)
	raised := a.Due.Binds() && slices.Index(States(), a.State) > slices.Index(States(), CheckFirst)
	switch {
	case raised:
		a.State = CheckFirst
	case silent || w.last.IsZero(), a.Due.Reason == StartOfDay && (a.Streak.Attempts > 0 || a.State == Stop):
		return // the answer says more than that already
	}
	if a.Due.Reason == StartOfDay && !silent {
		words = append(words, w.meet(a)...)
	}
	if raised || a.State == Fit {
		a.Reasons = slices.Concat(words, a.Reasons)
		return
	}
	a.Reasons = append(a.Reasons, words...)
}

// meet says what the model expects of a machine that the rule of the day asks
// to be checked.
func (w *PendingAssessment) meet(a *Assessment) []string {
	p, ok := a.Drift.ProbabilityOut.Get()
	switch {
	case !ok:
		return nil
	case p > w.rules.Worth:
		return []string{"The records agree: in the air of the last calibration, " + phrase.Chance(p) + " attempts would be out of tolerance."}
	}
	return []string{"The records alone would not require it: in the air of the last calibration, " + phrase.Chance(p) + " attempts would be out of tolerance. The rule still applies."}
}

var grades = map[model.Grade]Grade{
	model.NoRecords: NoRecords, model.PassFail: PassFail,
	model.CorrectionOnly: CorrectionOnly, model.Full: Full,
}

// describe fills in the numbers.
func (a *Assessment) describe(s *Subject) {
	m := s.Known
	a.Drift = DriftOf(m, &s.Settings)
	a.Warnings = append(a.Warnings, missing(m, a.Data.Grade)...)
	a.Warnings = append(a.Warnings, m.Params().Diagnostics...)
	switch evidence(m) {
	case MachinesLikeIt:
		a.Warnings = append(a.Warnings, "This machine has few records. The answer rests on machines like it.")
	case RuleOfThumb:
		a.Warnings = append(a.Warnings, "This machine and machines like it have few records. The answer is a rule of thumb.")
	}
	density, humidity := m.AirEffects()
	a.Air = AirEffect{Density: percent(density), Humidity: percent(humidity)}
	_, arcs, since, cleanings := m.Pair()
	e := &a.Electrode
	e.Arcs, e.ArcsSinceCleaned = drift.Some(int64(arcs)), drift.Some(int64(since))
	e.Cleanings = cleanings
	e.ToFailure = &Quantiles{
		P10: math.Round(s.Life.Quantile(0.1)), P50: math.Round(s.Life.Quantile(0.5)), P90: math.Round(s.Life.Quantile(0.9)),
	}
	e.BeyondHorizon = rounded(s.Life.Beyond(), 1000)
	if pace := m.PerDay(); pace > 0 {
		e.ArcsPerDay = rounded(pace, 10)
	}
	if m.Estimated() {
		a.Warnings = append(a.Warnings, "No arc count has been recorded. Arcs are estimated from the number of days, as on quiet working days.")
	}
	if m.Unlogged() {
		a.Warnings = append(a.Warnings, "The arc counter fell, but no replacement is on record. Was a new pair fitted, or was the counter reset? Log a service if a pair was fitted.")
	}
}

// DriftOf is the answer about the required power of a machine with a calibration.
func DriftOf(m *model.Machine, settings *drift.Settings) Drift {
	level, sd := m.Level()
	slope, slopeSD := m.Slope()
	d := Drift{
		RequiredPower: percent(level), SD: percentSD(level, tooSure(m)*sd),
		Per1000Arcs: rounded(slope, 100), Per1000ArcsSD: rounded(slopeSD, 100),
		Limit: m.Params().Limit.OrElse(settings.Limit), Scatter: rounded(m.Scatter(), 100),
	}
	if setting, sd := m.Setting(); sd < knownSetting {
		d.Setting = percent(setting)
	}
	if evidence(m) != RuleOfThumb {
		d.ProbabilityOut = rounded(m.OutAgain(), 1000)
	}
	return d
}

// tooSure is by how much the filter believes the level too surely: it takes the laws of
// wear and dirt for known, which matters most where numbers leave little other doubt.
// Chosen between blind fleets, which ask for 1.5 on full data, and fleets of drift/synth,
// which ask for 1.25.
func tooSure(m *model.Machine) float64 {
	if m.Grade() == model.Full {
		return 1.35
	}
	return 1.2
}

// knownSetting is the doubt, in log percent, up to which a setting is shown.
const knownSetting = 0.05

// decide settles state and action, and says why.
func (w *PendingAssessment) decide(s *Subject) {
	a := &w.answer
	verdict := Judge(s.Known, s.Life)
	few := fewRecords(s.Known)
	if !few {
		a.State = debounce(verdict, s.Earlier, a.Streak.Attempts > 0)
	} else {
		a.State = Fit
	}
	due := a.State != Fit
	failed := a.Streak.givenUp(&s.Settings)
	// One session speaks against electrodes only where their forecast does not
	// speak for them: of healthy ones some session is given up now and then.
	electrodes := s.Checks.Found != "" || !few && a.Streak.blame(CauseElectrodes) >= BlameElectrode && (a.Streak.Sessions > 1 || verdict.Failing >= WorthWatching)
	switch {
	case failed && (electrodes || !few && a.Streak.Sessions > 1 && a.Streak.blame(CauseEnds) < BlameElectrode):
		a.State = Stop
	case a.Streak.Attempts > 0 && a.State == Fit:
		a.State = CheckFirst
	case a.likelyOut() && a.State == Fit:
		a.State = CheckFirst
		if s.Known.OutCentred() >= LikelyOut {
			a.Electrode.Action = Inspect
		}
	}
	w.act(s, failed, due || failed && electrodes)
	if few && s.Checks.Found == "" && !s.Known.Streak().OtherCleaver {
		a.Streak.Cause = nil // too little to tell by: no chances, and the cheap test first
	}
	if found := &s.Checks; found.Found != "" {
		w.heed(found)
	}
	a.explain(s, verdict, failed)
	if a.State != Stop || a.Streak.Attempts == 0 && s.Checks.Found == "" {
		// What a pair left alone may last says nothing to whoever must stop now.
		w.pair = a.pairReason(s, verdict)
	}
}

// fewRecords says whether so little is known of a machine that nothing is ordered
// for its pair: a few typed records never order a new one. Where machines like it
// have reported enough, a few passes do say something of the pair, a few fails do not.
func fewRecords(m *model.Machine) bool {
	return m.Attempts() < ownAttempts && (m.Streak().Attempts > 0 || m.Estimated() || evidence(m) == RuleOfThumb)
}

// heed takes what an inspection found for what it is, the strongest evidence
// there is: the pair is due, whatever its forecast, until a service is logged.
func (w *PendingAssessment) heed(c *Checks) {
	a := &w.answer
	if a.State == Fit {
		a.State = ServiceSoon
	}
	switch {
	case c.Found == drift.Worn:
		a.Electrode.Action = Replace
	case !a.work():
		a.Electrode.Action = Clean
	}
	w.by = c.FoundAt.AddDate(0, 0, PlanDays)
	a.Reasons = append(a.Reasons, fmt.Sprintf("The bench found the electrodes %s on %s. No service has been logged since.", c.Found, phrase.Date(c.FoundAt.In(w.zone))))
}

// silence is the days since the last calibration if that is long for this
// machine, else 0: more than three days and three times its usual gap.
func (w *PendingAssessment) silence(now time.Time) float64 {
	const least, times = 3.5, 3
	days := now.Sub(w.last).Hours() / 24
	if w.last.IsZero() {
		return 0
	}
	if days > max(least, times*w.gap) {
		return days
	}
	return 0
}

// act chooses what to do to the electrodes and how soon: the pair is spent if
// the forecast or a streak says so, whatever else may be behind a streak. A session
// given up sends somebody to look at the electrodes, as the trade does; where its
// ends are the likelier cause, another cleaver comes first (see explainStreak).
func (w *PendingAssessment) act(s *Subject, failed, spent bool) {
	a := &w.answer
	e := &a.Electrode
	switch {
	case spent:
		holds := CleanHolds(s.Known, &s.Settings)
		e.CleanHolds = rounded(holds, 100)
		e.Action = Replace
		// A clean that is as likely as not to be undone before the next bench day,
		// or a third one, is not worth the bench's time (common practice, no source).
		if holds >= 0.5 && e.Cleanings < 2 {
			e.Action = Clean
		}
	case failed:
		e.Action = Inspect
	default:
		return
	}
	switch {
	case a.State == Stop || failed:
		w.days = 0
	case e.ToFailure != nil && s.Life.Quantile(0.1) < s.Life.Horizon:
		w.days = s.Life.Quantile(0.1) / usualPace(s.Known)
	}
}

// CleanHolds is the chance that the pair, cleaned now, lasts PlanDays.
func CleanHolds(m *model.Machine, settings *drift.Settings) float64 {
	c := m.Clone()
	c.Clean()
	const paths = 400
	life := forecast.Run(c, forecast.Plan{Paths: paths, Horizon: forecast.Horizon, AttemptLimit: int(settings.AttemptLimit), Seed: 1})
	return 1 - life.Before(PlanDays*usualPace(m))
}

// explain gives the reasons but for what the moment and the pair add, most
// important first.
func (a *Assessment) explain(s *Subject, v Verdict, failed bool) {
	say := func(format string, args ...any) { a.Reasons = append(a.Reasons, fmt.Sprintf(format, args...)) }
	if failed {
		say("No pass in %s. The last session was given up.", phrase.Count(a.Streak.Attempts, "attempt"))
	} else if a.Streak.Attempts > 0 {
		say("%s.", lastFailed(a.Streak.Attempts))
	}
	if a.Streak.Attempts > 0 {
		a.explainStreak(say, failed, s.Checks.Found != "", s.Known.Streak().OtherCleaver)
	}
	m := s.Known
	if a.likelyOut() && (a.State == CheckFirst || a.State == ServiceSoon) {
		a.explainOut(say, m)
	}
	if m.BeyondReach() >= BeyondLimit {
		say("The arc needs more power here than this machine can give (limit %s).", phrase.Quantity(a.Drift.Limit.Or(0), "%"))
	}
	switch {
	case s.Checks.Found != "" && v.State == Fit:
	case a.State == Stop && v.State != Stop && a.Streak.Attempts == 0, a.State == ServiceSoon && v.State == Fit:
		say("Earlier sessions showed this. The latest session alone does not change it.")
	case a.State == Stop && a.Streak.Attempts == 0 && v.Today >= CertainFailure:
		say("Chance that a session today ends without a pass: %s.", phrase.Chance(v.Today))
	case a.State == ServiceSoon:
		say("Chance that a session within %.0f days ends without a pass: %s.", CallAhead(m), phrase.Chance(v.Failing))
	}
}

// explainStreak says what is likely behind the streak and which cheap test
// would show it; whether another cleaver was tried, nobody is asked twice. After a
// session given up the trade looks at the electrodes (common practice, no source):
// that is named, beside what is likelier and cheaper to try.
func (a *Assessment) explainStreak(say func(string, ...any), failed, found, tried bool) {
	if failed {
		say("Usual practice after that is to inspect the electrodes.")
	}
	if luck, ok := a.Streak.ByLuck.Get(); ok && luck >= 0.05 {
		say("Chance of such a run by luck within a month: %s.", phrase.Chance(luck))
	}
	if found {
		return // the bench has looked, and knows better
	}
	cheap := "Before anyone opens the machine, make one attempt with another cleaver. If that fails too, the fibre ends are not the cause."
	if tried {
		cheap = "Another cleaver failed too: the fibre ends are hardly the cause."
	}
	if len(a.Streak.Cause) == 0 {
		say("There are too few records to tell whether the fibre ends or the electrodes are the cause.")
		say(cheap)
		return
	}
	top := a.Streak.Cause[0]
	say("Most likely cause: %s (%s).", CauseWord(top.Cause), phrase.Chance(top.Probability))
	switch {
	case a.work() && a.State == Stop:
		// The pair goes to the bench whatever a cheap test shows: no second order.
	case top.Cause == CauseEnds:
		say("Test the fibre ends first. Clean and cleave again with another cleaver on this machine, and try this cleaver on another machine. If both tests point to this machine, inspect its electrodes.")
	case top.Cause == CauseElectrodes:
		say(cheap)
	case failed:
		say("Let the machine adapt to this air, then calibrate again. If that fails too, inspect the electrodes.")
	default:
		say("Let the machine adapt to this air, then calibrate again.")
	}
}

// WorthWatching is the chance of a failure within [CallAhead] from which a machine
// that needs no service yet is not simply called good.
const WorthWatching = 0.1

// pairReason says how long the pair may last, with the end to plan on.
func (a *Assessment) pairReason(s *Subject, v Verdict) string {
	q := a.Electrode.ToFailure
	horizon := s.Life.Horizon
	switch {
	case !a.work() && s.Known.Attempts() < ownAttempts && (evidence(s.Known) == RuleOfThumb || a.Streak.Attempts > 0):
		return "There are too few records to say how long the electrodes will last: the arcs left are a rule of thumb."
	case q.P10 >= horizon:
		return fmt.Sprintf("The electrodes are expected to last more than %s arcs.", phrase.About(horizon))
	case a.Electrode.Action == None && v.Failing >= WorthWatching:
		return fmt.Sprintf("Chance that a session within %.0f days ends without a pass: %s. Service is not needed yet. Keep calibrating.", CallAhead(s.Known), phrase.Chance(v.Failing))
	case a.Electrode.Action == None && q.P50 >= horizon:
		return fmt.Sprintf("Plan on at least %s arcs before the electrodes need service.", phrase.About(q.P10))
	}
	days := ""
	if n := q.P10 / s.Known.PerDay(); n <= planable {
		days = fmt.Sprintf(" (about %s)", phrase.Count(int(math.Max(1, math.Round(n))), "day"))
	}
	to := phrase.About(q.P90)
	if q.P90 >= horizon {
		to = "more than " + phrase.About(horizon)
	}
	return fmt.Sprintf("Between %s and %s arcs are left on this pair. Plan on %s%s.", phrase.About(q.P10), to, phrase.About(q.P10), days)
}

// Clears says what would clear the state, "" for one that needs none. It is the
// one rule: pages, messages and answers all say this.
func (a *Assessment) Clears() string {
	switch {
	case a.State == Fit:
		return ""
	case a.State == NoData:
		return "One calibration clears this."
	case a.State != CheckFirst && a.work():
		return ServiceClears
	case a.likelyOut():
		return "A calibration with good fibre ends that corrects the setting clears this."
	case a.work():
		return "One good calibration with fresh ends clears the check. The electrode service stays due until it is logged."
	}
	return "One good calibration with fresh ends clears this."
}

// ServiceClears is how a service that is due is cleared.
const ServiceClears = "Log the service and pass a calibration to clear this."

// ClearsShort is [Assessment.Clears] for a short message.
func (a *Assessment) ClearsShort() string {
	if a.work() {
		return "Clears after service and a pass."
	}
	return "Clears after one good calibration."
}

// work says whether the pair is to be cleaned or replaced.
func (a *Assessment) work() bool {
	return a.Electrode.Action == Clean || a.Electrode.Action == Replace
}

// ServiceDue says whether the bench is to work on the pair while the machine may
// still splice.
func (a *Assessment) ServiceDue() bool {
	return a.work() && (a.State == ServiceSoon || a.State == CheckFirst)
}
