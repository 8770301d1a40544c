package whatif

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// Past is the history of one machine.
type Past struct {
	Machine, Model string
	Kind           *model.Params
	Settings       drift.Settings
	Zone           *time.Location
	// Entries are ordered, corrected and counted; Events are those of the model that they
	// are read as, in the same order.
	Entries []drift.Entry
	Events  []model.Event
}

// Work is one local day of work of a machine.
type Work struct {
	Day  time.Time // its midnight
	Site string
	// Splices made that day: as recorded, or the arcs that were burnt.
	Splices float64
	// Tried is whether a check was made that day, Checked whether the last one ended with a
	// pass; Forced is whether a rule other than the one of the day asked for it.
	Tried, Checked, Forced bool
	// Found is whether work on the electrodes followed a check without a pass: had nobody
	// checked, it would not have been done.
	Found bool
	// Need are draws of the power that the arc needed, Setting of the setting in force
	// after the day's checks, in log percent; one per draw, the same draw in all days.
	Need, Setting []float64
	// Out is the chance of a splice of that day to be out of tolerance in a draw, at a
	// setting.
	Out func(draw int, setting float64) float64
	// Bad is the same before the work on the electrodes of a day on which it was Found, nil
	// on other days.
	Bad func(draw int, setting float64) float64
}

// Work reads the days of work from a moment on, with so many draws of the machine's past.
// The same seed gives the same draws.
func (p *Past) Work(from time.Time, draws int, seed uint64) []Work {
	w := worker{Past: p, smoother: model.NewMachine(p.Machine, p.Kind).Smoother(), from: from}
	if !slices.ContainsFunc(p.Events, func(ev model.Event) bool { return ev.Kind == model.Attempt }) {
		return nil // of a machine that was never checked nothing can be replayed
	}
	w.byDay()
	w.day = model.LearnDaytime(p.Events, p.Zone, w.siteOn)
	var days []Work
	var marks []marked
	for _, d := range w.days {
		if work, mark := w.live(d); work != nil {
			days = append(days, *work)
			marks = append(marks, mark)
		}
	}
	if len(days) == 0 {
		return nil
	}
	rows, stands := w.smoother.Draws(draws, seed), w.smoother.Stands()
	for at := range days {
		d, mark := &days[at], marks[at]
		d.Need, d.Setting = make([]float64, draws), make([]float64, draws)
		for i := range rows {
			state := &rows[i][mark.work]
			_, _, off := stands[mark.work].Out(state, mark.air, 0)
			d.Setting[i], d.Need[i] = state.Setting, state.Setting+off
		}
		outAt := func(at int) func(int, float64) float64 {
			return func(draw int, setting float64) float64 {
				state := rows[draw][at]
				state.Setting = setting
				strong, weak, _ := stands[at].Out(&state, mark.air, 0)
				return strong + weak
			}
		}
		d.Out = outAt(mark.work)
		if d.Found && mark.bad >= 0 {
			d.Bad = outAt(mark.bad)
		}
	}
	return days
}

// marked are the marks of a day in the smoother: of its work, and before work on the
// electrodes, -1 for none; air is that of the day's work.
type marked struct {
	work, bad int
	air       [3]float64
}

// worker goes through a past day by day.
type worker struct {
	*Past
	smoother *model.Smoother
	from     time.Time
	days     []*diary
	counts   bool // splice records tell the number
	checks   advise.Checks
	pair     int
	last     *model.Event // the last attempt
	day      model.Daytime
}

// diary is what is on record of one day.
type diary struct {
	midnight time.Time
	events   []*model.Event
	after    *model.Event // the first event of a later day
	splices  float64
	site     string
	forced   bool
	found    bool
}

func (w *worker) byDay() {
	var d *diary
	at := func(t time.Time) *diary {
		y, m, day := t.In(w.Zone).Date()
		midnight := time.Date(y, m, day, 0, 0, 0, 0, w.Zone)
		if d == nil || midnight.After(d.midnight) { // a later record of an earlier day stays with the day before it
			d = &diary{midnight: midnight}
			w.days = append(w.days, d)
		}
		return d
	}
	events := map[string]*model.Event{}
	for i := range w.Events {
		events[w.Events[i].ID] = &w.Events[i]
	}
	site, failed := "", false
	for i := range w.Entries {
		e := &w.Entries[i]
		d := at(e.When())
		site = cmp.Or(e.Site, site)
		d.site = site
		if e.Splice != nil {
			d.splices += float64(e.Splice.Made())
			w.counts = true
		}
		w.rule(d, e)
		if ev := events[e.ID]; ev != nil {
			if n := len(w.days); n > 1 && len(d.events) == 0 {
				w.follow(w.days[:n-1], ev)
			}
			d.events = append(d.events, ev)
			w.pair = ev.Pair
			switch ev.Kind {
			case model.Attempt:
				failed = !ev.Passed
			case model.Cleaned, model.Replaced, model.Unlogged:
				d.found, failed = d.found || failed, false
			}
		}
		w.checks.Update(e, w.pair)
	}
}

// follow notes the first event after days that do not know theirs yet.
func (w *worker) follow(days []*diary, ev *model.Event) {
	for i := len(days) - 1; i >= 0 && days[i].after == nil; i-- {
		days[i].after = ev
	}
}

// rule notes whether a rule other than the one of the day asks for a check.
func (w *worker) rule(d *diary, e *drift.Entry) {
	c := e.Calibration
	if c == nil {
		return
	}
	due := w.checks.Due(0, w.Zone, e.When())
	d.forced = d.forced || due != nil || c.Trigger != "" && c.Trigger != string(advise.StartOfDay) && c.Trigger != "other"
}

// live takes a day's events and marks the middle of the work after its last attempt. It
// returns nil for a day without work, or before the time that is asked about.
func (w *worker) live(d *diary) (*Work, marked) {
	mark := marked{bad: -1}
	last := -1
	for i, ev := range d.events {
		if ev.Kind == model.Attempt {
			last = i
		}
	}
	for _, ev := range d.events[:last+1] {
		if d.found && mark.bad < 0 && ev.Kind != model.Attempt {
			mark.bad = w.smoother.Mark()
		}
		w.smoother.Update(ev)
	}
	checked := false
	if last >= 0 {
		w.last, checked = d.events[last], d.events[last].Passed
	}
	burnt := w.burnt(d, last)
	splices := d.splices
	if !w.counts {
		splices = burnt
	}
	var out *Work
	if splices > 0 && !d.midnight.Before(w.from) {
		w.smoother.Advance(w.smoother.Arcs() + burnt/2)
		mark.work, mark.air = w.smoother.Mark(), w.air(d)
		out = &Work{Day: d.midnight, Site: d.site, Splices: splices, Tried: last >= 0, Checked: checked, Forced: d.forced, Found: d.found}
	}
	for _, ev := range d.events[last+1:] {
		w.smoother.Update(ev)
	}
	return out, mark
}

// air is that of the day's work: of the last attempt, as much warmer as its hours are.
func (w *worker) air(d *diary) [3]float64 {
	if w.last == nil {
		return [3]float64{}
	}
	from, end := w.last.Time, d.midnight.AddDate(0, 0, 1)
	if from.Before(d.midnight) {
		from = d.midnight
	}
	return w.day.Warmed(w.last, w.day.WorkPhase(from, end))
}

// siteOn is where the machine was at the end of the day of a moment.
func (w *worker) siteOn(t time.Time) string {
	i, exact := slices.BinarySearchFunc(w.days, t, func(d *diary, t time.Time) int { return d.midnight.Compare(t) })
	if exact {
		i++
	}
	if i == 0 {
		return ""
	}
	return w.days[i-1].site
}

// burnt is how many arcs the pair burnt that day after the last attempt, by the next
// event that tells.
func (w *worker) burnt(d *diary, last int) float64 {
	next := d.after
	if last+1 < len(d.events) {
		next = d.events[last+1]
	}
	if next == nil || last < 0 && len(d.events) == 0 {
		return 0
	}
	tries := 0.0
	if next.Kind == model.Attempt {
		tries = float64(max(next.Tries, 1))
	}
	return min(max(next.Arcs-tries-w.smoother.Arcs(), 0), drift.MostArcsPerDay)
}
