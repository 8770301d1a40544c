package advise

import (
	"math"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Subject is everything an assessment of one machine rests on.
type Subject struct {
	Machine string
	Model   string
	Records int
	Refused int
	// Last is the time of the machine's last record of any kind, zero if none.
	Last time.Time
	// Known is what the model knows; nil without a calibration.
	Known    *model.Machine
	Life     forecast.Life
	Settings drift.Settings
	// Earlier are the verdicts, by [Judge], at the one or two sessions before.
	Earlier []Verdict
	// Checks is what the rules of the trade need to know.
	Checks Checks
	// Asked are the questions that a person may answer.
	Asked []drift.Question
	// Questions are what the records themselves leave open, as sentences.
	Questions []string
	// Zone is the machine's time zone, for dates; UTC if nil.
	Zone *time.Location
}

// PlanDays is how far ahead the bench plans: a service that was called is right if
// the electrodes fail, or are found worn or dirty, within that time.
const PlanDays = 14

// CallDays is how far ahead a call for service looks, see [CallAhead]. Looking less far than the
// bench plans waits, where much is known of a pair, for the days in which a call is
// surely right, and loses no notice: such a pair is not about to fail either.
const CallDays = 10

// QuietDays is for how long a service must have ceased to be due before its alert
// is taken back: a verdict that wavers is not two alerts. Neither twice as long nor a
// lower chance for taking back made alerts in artificial fleets better.
const QuietDays = 7

// The chances from which a verdict is given. LikelyFailure weighs what is called
// in vain against what is not called in time. Of services so called in artificial
// fleets of seventeen kinds, where nobody acted on them, three in four failed within
// PlanDays, and two in three of all failures were called three days ahead; a step of
// 0.02 up makes about one more in a hundred right and leaves as many more failures
// unannounced. See the alert table of `arcdrift evaluate --invented all`.
const (
	LikelyFailure  = 0.52 // within CallDays
	CertainFailure = 0.5  // before the next day is over
	BeyondLimit    = 0.5
	BlameElectrode = 0.5
)

// Verdict is what one moment alone says about the electrodes, before it is
// compared with the sessions before (see [debounce]).
type Verdict struct {
	State State
	// Failing is the chance of a session without a pass within [CallAhead], Today
	// within a day's arcs.
	Failing, Today float64
}

// A machine that calibrates seldom shows a failure only at a session. A call that
// comes at one must look beyond the next, or it comes too late to be of use: to the
// session after next, and half a gap further as no rhythm is even. mostAhead bounds
// it for machines that stand idle for months, in days (a guess).
const (
	sessionsAhead = 2.5
	mostAhead     = 90
)

// CallAhead is how many days ahead a call for service of this machine looks:
// CallDays, or further where it calibrates seldom.
func CallAhead(m *model.Machine) float64 { return further(m, CallDays) }

// JudgedWithin is within how many days a call for service of this machine has to
// come true: PlanDays, or longer where it calibrates seldom.
func JudgedWithin(m *model.Machine) float64 { return further(m, PlanDays) }

func further(m *model.Machine, days float64) float64 {
	return max(days, min(sessionsAhead*m.Gap(), mostAhead))
}

// ahead is how many arcs ahead [Judge] looks.
func ahead(m *model.Machine) float64 { return CallAhead(m) * usualPace(m) }

// VerdictHorizon is how many arcs ahead a forecast has to look that is only judged: further
// than [Judge] does, as calibrating bends raw lives.
func VerdictHorizon(m *model.Machine) float64 { return min(3*ahead(m), forecast.Horizon) }

// Judge gives the verdict of the forecast: fit, service soon, or stop.
func Judge(m *model.Machine, life forecast.Life) Verdict {
	pace := usualPace(m)
	v := Verdict{State: Fit, Failing: life.Before(ahead(m)), Today: life.Before(pace)}
	switch {
	case v.Today >= CertainFailure || m.BeyondReach() >= BeyondLimit:
		v.State = Stop
	case v.Failing >= LikelyFailure:
		v.State = ServiceSoon
	}
	return v
}

// usualPace is the machine's arcs a day; where they are not known, those of a
// quiet working day (a guess).
func usualPace(m *model.Machine) float64 {
	const quiet = 40
	if pace := m.PerDay(); pace > 0 {
		return pace
	}
	return quiet
}

// due says whether a moment alone calls for service.
func (v Verdict) due() bool { return v.State == ServiceSoon || v.Failing >= LikelyFailure }

// debounce makes a state of the verdicts at the last three sessions. A service is due
// at once, for a pair that dirt befell has not three sessions left, and until three
// in a row say that it is not: so one record never takes it back. An isolated one
// does not call it either, as the model believes no single record. While tries fail,
// what they say of the future waits for the end of the session. All else, as the
// stop, is the middle of three.
func debounce(now Verdict, earlier []Verdict, failing bool) State {
	state := middle(now, earlier)
	if state == Fit && (!failing && now.due() || slices.ContainsFunc(earlier, Verdict.due)) {
		return ServiceSoon
	}
	return state
}

// middle returns the middle of the verdicts at the last three sessions; of fewer the
// latest counts.
func middle(now Verdict, earlier []Verdict) State {
	rank := map[State]int{Fit: 0, ServiceSoon: 1, Stop: 2}
	if len(earlier) < 2 {
		return now.State
	}
	a, b, c := now.State, earlier[len(earlier)-1].State, earlier[len(earlier)-2].State
	if rank[a] > rank[b] {
		a, b = b, a
	}
	switch {
	case rank[c] <= rank[a]:
		return a
	case rank[c] >= rank[b]:
		return b
	}
	return c
}

// percent turns log percent into percent, rounded to hundredths: more digits
// would claim more than is known.
func percent(x float64) drift.Opt[float64] { return rounded(model.Pct(x), 100) }

// percentSD turns a standard deviation at a mean, in log percent, into percent.
func percentSD(mean, sd float64) drift.Opt[float64] {
	return rounded(sd*math.Exp(mean/100), 100)
}

func rounded(x, parts float64) drift.Opt[float64] {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return drift.Opt[float64]{}
	}
	return drift.Some(math.Round(x*parts)/parts + 0) // + 0: no −0
}
