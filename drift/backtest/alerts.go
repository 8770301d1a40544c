package backtest

import (
	"fmt"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/score"
)

// ThreeInARow is the rule that raises an alert after three failed attempts in a row.
const ThreeInARow = "three failed in a row"

// watchers is how many there are; byRow and byBest are the places of two.
const (
	watchers = 5
	byRow    = 3
	byBest   = 4
)

// Watchers lists who raises alerts, in the order of a walker's guards. The last is the
// best possible: [Oracle] where the truth is known, else [Hindsight]. The model raises an
// alert in the state service soon or stop of a machine whose last attempt passed; fleet
// lifetimes, fixed count and oracle raise one at the chance of failure within
// advise.CallAhead at which the model does.
func Watchers(known bool) [watchers]string {
	best := Hindsight
	if known {
		best = Oracle
	}
	return [watchers]string{Model, FleetLifetimes, FixedCount, ThreeInARow, best}
}

// Outcome is how an alert turned out.
type Outcome string

// The outcomes: a failure, or a bench that found the electrodes worn or dirty,
// within advise.JudgedWithin; neither; and what cannot be told, because the pair was
// serviced without a finding before or the records end.
//
// In an invented fleet nobody acts on the alerts, so a worn pair that lasts longer makes
// its alert wrong. What a bench would have found if it had come for the alert cannot
// decide: the bench of drift/synth is called after sessions without a pass, finds every
// pair dirty that was ever contaminated and any other worn, and would make every alert
// right.
const (
	Right   Outcome = "right"
	Wrong   Outcome = "wrong"
	Unclear Outcome = "unclear"
)

// Alert is one message about a machine, from when it was raised until a service
// or until it was taken back.
type Alert struct {
	Who     string    `json:"who"`
	Machine string    `json:"machine"`
	Raised  time.Time `json:"raised"`
	// Ended is zero while it stands.
	Ended   time.Time `json:"ended,omitzero"`
	Outcome Outcome   `json:"outcome"`
	// Because says in a few words what the outcome rests on.
	Because string `json:"because"`
	// Within is the days in which it has to come true.
	Within float64 `json:"within_days"`
	// Recent marks the alerts of the last so many days: those that were right are
	// known sooner than those that were wrong, so none of them is counted as either.
	Recent bool `json:"recent"`
}

// Failed is a failure with the notice that each watcher had given: the days for
// which an alert had stood, unknown without one.
type Failed struct {
	Machine string               `json:"machine"`
	Time    time.Time            `json:"time"`
	Notice  []drift.Opt[float64] `json:"notice_days"`
}

// Watch is what the watchers said over the time replayed.
type Watch struct {
	// Known is whether the truth was, beside the records.
	Known    bool
	Alerts   []Alert
	Failures []Failed
	// Months is the machine-months watched.
	Months float64
}

// guard is the state of one watcher at one machine.
type guard struct {
	alerts []Alert
	up     bool      // an alert stands
	gone   time.Time // since when its cause does not; zero while it does
}

// look raises an alert, or takes one back whose cause has been gone for long
// enough, as the messages are.
func (g *guard) look(alarm bool, who string, m *model.Machine, at time.Time) {
	switch {
	case alarm && !g.up:
		g.alerts = append(g.alerts, Alert{Who: who, Machine: m.Name, Raised: at, Within: advise.JudgedWithin(m)})
		g.up = true
	case !alarm && g.up && g.gone.IsZero():
		g.gone = at
	case !alarm && g.up && days(at.Sub(g.gone)) >= advise.QuietDays:
		g.end(at)
	}
	if alarm {
		g.gone = time.Time{}
	}
}

// end takes back the alert that stands, if one does.
func (g *guard) end(at time.Time) {
	if g.up {
		g.alerts[len(g.alerts)-1].Ended = at
	}
	g.up, g.gone = false, time.Time{}
}

// watch lets the watchers look after event i has been folded: at the attempt
// for a row of fails, at the end of a session that passed for the rest. A
// service or a new pair ends all alerts. While fails stand, nothing new is said
// of the future: a failure is not its own announcement.
func (w *walker) watch(p *Past, i int) {
	ev := &p.Events[i]
	names := Watchers(w.truth != nil)
	if ev.Kind == model.Cleaned || ev.Kind == model.Replaced || ev.Kind == model.Unlogged || ev.Pair != w.pair {
		for k := range w.guards {
			w.guards[k].end(ev.Time)
		}
		w.earlier, w.pair = nil, ev.Pair
		w.states = append(w.states, StateCase{p.Machine, ev.Time, advise.CheckFirst})
	}
	if ev.Kind != model.Attempt {
		return
	}
	const row = 3
	if w.machine.Streak().Attempts >= row {
		w.guards[byRow].look(true, names[byRow], w.machine, ev.Time)
	} else {
		w.guards[byRow].end(ev.Time) // a pass ends the row
	}
	if w.machine.Attempts() == 0 || !sessionEnds(p.Events, i) {
		return
	}
	life := w.life(p.Settings.AttemptLimit, verdictPaths, advise.VerdictHorizon(w.machine))
	state := w.state(p, ev.Time, life)
	w.states = append(w.states, StateCase{p.Machine, ev.Time, state})
	if w.machine.Streak().Attempts > 0 {
		return
	}
	for k, alarm := range w.alarms(ev.Time, life, state) {
		if k != byRow {
			w.guards[k].look(alarm, names[k], w.machine, ev.Time)
		}
	}
}

// state is what is said of the machine at the end of a session.
func (w *walker) state(p *Past, now time.Time, life forecast.Life) advise.State {
	return advise.Assess(&advise.Subject{
		Machine: p.Machine, Records: w.machine.Attempts(), Last: now, Known: w.machine, Life: life,
		Settings: p.Settings, Earlier: w.earlier,
	}, now).State
}

// alarms says which of the watchers of the future raise an alarm now, in this state
// of the machine; the row of fails is none of them.
func (w *walker) alarms(now time.Time, life forecast.Life, state advise.State) [watchers]bool {
	const kept = 2
	w.earlier = append(w.earlier, advise.Judge(w.machine, life))
	w.earlier = w.earlier[max(len(w.earlier)-kept, 0):]
	_, arcs, _, _ := w.machine.Pair()
	ahead := advise.CallAhead(w.machine) * w.pace()
	lives := fleetLifetimes(w.lives, arcs)
	return [watchers]bool{
		state == advise.ServiceSoon || state == advise.Stop,
		lives.Before(ahead) >= advise.LikelyFailure,
		w.count-arcs <= ahead,
		byBest: w.foresees(now, ahead),
	}
}

// sessionEnds says whether no later attempt belongs to the session of event i.
func sessionEnds(events []model.Event, i int) bool {
	for _, ev := range events[i+1:] {
		if ev.Kind == model.Attempt {
			return ev.NewSession
		}
	}
	return true
}

// add takes in what one machine's watchers said from a moment until the end of the
// records.
func (s *Watch) add(w *walker, since, until time.Time) {
	if n := len(w.whole.Events); n > 0 {
		const month = 30.44
		s.Months += max(days(w.whole.Events[n-1].Time.Sub(since)), 0) / month
	}
	for k := range w.guards {
		for _, a := range w.guards[k].alerts {
			a.Outcome, a.Because = w.whole.outcome(a.Raised, a.Within, w.failed)
			a.Recent = days(until.Sub(a.Raised)) < a.Within
			s.Alerts = append(s.Alerts, a)
		}
	}
	for _, f := range w.failed {
		if f.At.Before(since) {
			continue
		}
		m := Failed{Machine: w.whole.Machine, Time: f.Last, Notice: make([]drift.Opt[float64], watchers)}
		for k := range w.guards {
			m.Notice[k] = notice(w.guards[k].alerts, &f)
		}
		s.Failures = append(s.Failures, m)
	}
}

// notice is for how many days an alert had stood at a failure.
func notice(alerts []Alert, f *forecast.Failure) drift.Opt[float64] {
	for _, a := range alerts {
		if !a.Raised.After(f.Last) && (a.Ended.IsZero() || a.Ended.After(f.At)) {
			return drift.Some(days(f.Last.Sub(a.Raised)))
		}
	}
	return drift.Opt[float64]{}
}

// outcome judges an alert by what came within so many days after it.
func (p *Past) outcome(raised time.Time, within float64, failed []forecast.Failure) (o Outcome, because string) {
	due := raised.Add(time.Duration(within * 24 * float64(time.Hour)))
	isFailure := func(f forecast.Failure) bool { return !f.Last.Before(raised) && !f.At.After(due) }
	first := slices.IndexFunc(failed, isFailure)
	last := raised
	for i := range p.Events {
		ev := &p.Events[i]
		if !ev.Time.After(raised) {
			continue
		}
		if ev.Time.After(due) {
			last = ev.Time
			break
		}
		if first >= 0 && !ev.Time.Before(failed[first].Last) {
			return Right, failedThen
		}
		switch ev.Kind {
		case model.Cleaned, model.Replaced, model.Inspected, model.Unlogged:
			return found(ev)
		}
		last = ev.Time
	}
	switch {
	case first >= 0:
		return Right, failedThen
	case last.After(due):
		return Wrong, fmt.Sprintf("nothing in %.0f days", within)
	}
	return Unclear, "not over yet"
}

const failedThen = "a session was given up"

// found judges by what the bench saw.
func found(ev *model.Event) (o Outcome, because string) {
	switch ev.Finding {
	case drift.Worn, drift.Dirty:
		return Right, "found " + string(ev.Finding)
	case drift.Fine:
		return Wrong, "found fine"
	case drift.CleaverFault:
		return Wrong, "the cleaver was at fault"
	}
	return Unclear, "serviced without a finding that says"
}

// AlertRow is how one watcher did.
type AlertRow struct {
	Who string `json:"who"`
	// Alerts is how many were raised, PerMonth per machine-month.
	Alerts   int                `json:"alerts"`
	PerMonth drift.Opt[float64] `json:"per_machine_month"`
	Right    int                `json:"right"`
	Wrong    int                `json:"wrong"`
	Unclear  int                `json:"unclear"`
	// Precision is right of right and wrong, with its exact 95 % band.
	Precision drift.Opt[float64] `json:"precision"`
	Low       drift.Opt[float64] `json:"precision_low"`
	High      drift.Opt[float64] `json:"precision_high"`
	// Failures is how many there were, Announced how many with at least
	// noticeDays of notice, Recall their share, Notice the median days of those
	// with any.
	Failures  int                `json:"failures"`
	Announced int                `json:"announced"`
	Recall    drift.Opt[float64] `json:"recall"`
	Notice    drift.Opt[float64] `json:"notice_days"`
	// F1 is the harmonic mean of precision and recall, Share its ratio to that of the
	// last row; unknown where either is.
	F1    drift.Opt[float64] `json:"precision_with_recall"`
	Share drift.Opt[float64] `json:"share_of_best"`
}

// noticeDays is the notice, in days, that a bench visit needs.
const noticeDays = 3

// Of is what was said of some of the machines.
func (w *Watch) Of(machine func(name string) bool) Watch {
	out := Watch{Known: w.Known}
	for _, a := range w.Alerts {
		if machine(a.Machine) {
			out.Alerts = append(out.Alerts, a)
		}
	}
	for _, f := range w.Failures {
		if machine(f.Machine) {
			out.Failures = append(out.Failures, f)
		}
	}
	return out
}

// Rows scores the watchers, in the order of [Watchers].
func (w *Watch) Rows() []AlertRow {
	names := Watchers(w.Known)
	rows := make([]AlertRow, watchers)
	for k := range rows {
		r := AlertRow{Who: names[k], Failures: len(w.Failures)}
		for _, a := range w.Alerts {
			if a.Who == r.Who {
				r.count(&a)
			}
		}
		if w.Months > 0 {
			r.PerMonth = drift.Some(float64(r.Alerts) / w.Months)
		}
		if n := r.Right + r.Wrong; n > 0 {
			low, high := score.ClopperPearson(r.Right, n, 0.95)
			r.Precision, r.Low, r.High = drift.Some(float64(r.Right)/float64(n)), drift.Some(low), drift.Some(high)
		}
		var notices []float64
		for _, f := range w.Failures {
			if d, ok := f.Notice[k].Get(); ok {
				notices = append(notices, d)
				if d >= noticeDays {
					r.Announced++
				}
			}
		}
		if r.Failures > 0 {
			r.Recall = drift.Some(float64(r.Announced) / float64(r.Failures))
		}
		if len(notices) > 0 {
			slices.Sort(notices)
			r.Notice = drift.Some((notices[(len(notices)-1)/2] + notices[len(notices)/2]) / 2)
		}
		r.F1 = f1(r.Precision, r.Recall)
		rows[k] = r
	}
	for k := range rows {
		both, known := rows[k].F1.Get()
		if best := rows[byBest].F1.Or(0); known && best > 0 {
			rows[k].Share = drift.Some(both / best)
		}
	}
	return rows
}

func (r *AlertRow) count(a *Alert) {
	r.Alerts++
	switch {
	case a.Recent, a.Outcome == Unclear:
		r.Unclear++
	case a.Outcome == Right:
		r.Right++
	default:
		r.Wrong++
	}
}
