package lookback

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
)

// Decided is a decision as a record states it, with the machine under its present name.
type Decided struct {
	Machine string
	Entry   *drift.Entry
}

// Decisions collects the decisions on splices of a history.
func (p *Past) Decisions() (out []Decided) {
	for i := range p.Entries {
		if e := &p.Entries[i]; e.Decision != nil && e.Decision.Verdict != drift.Bench {
			out = append(out, Decided{p.Machine, e})
		}
	}
	return out
}

// OpenFrom is the chance of being out from which somebody has to decide on an entry;
// what is less likely is listed and asks for nothing. It is what one bad splice left
// in costs beside one measured for nothing, about one to five: a guess.
const OpenFrom = 0.2

// Assemble makes one report of what was found on several machines, for one job or, with
// "", for all. The order of the parts does not matter.
func Assemble(found []Found, decided []Decided, job string, now time.Time) Report {
	r := Report{AsOf: now.UTC(), Spans: []Span{}, Entries: []Entry{}, Jobs: []Job{}, Warnings: []string{}}
	latest := latestDecisions(decided)
	totals := map[string]*total{}
	for i := range found {
		var settled []Lot
		for _, lot := range joined(found[i].Lots) {
			if job != "" && lot.Entry.Job != job {
				continue
			}
			s := found[i].spanOf(&lot.Entry)
			lot.Entry.decide(latest[lot.Entry.key()], s != nil && !s.asked())
			r.Entries = append(r.Entries, lot.Entry)
			add(totals, &lot)
			settled = append(settled, lot)
		}
		for _, s := range found[i].Spans {
			s.settle(settled)
			r.Spans = append(r.Spans, s)
		}
	}
	slices.SortFunc(r.Entries, worstFirst)
	slices.SortFunc(r.Spans, func(a, b Span) int { return cmp.Or(b.To.Compare(a.To), cmp.Compare(a.Machine, b.Machine)) })
	for _, t := range totals {
		r.Jobs = append(r.Jobs, t.job())
	}
	slices.SortFunc(r.Jobs, func(a, b Job) int { return cmp.Or(cmp.Compare(b.Out.Mean, a.Out.Mean), cmp.Compare(a.Job, b.Job)) })
	r.warn()
	return r
}

// key names an entry, as decisions do.
func (e *Entry) key() [3]string { return [3]string{e.Machine, e.Day, e.Job} }

func worstFirst(a, b Entry) int {
	return cmp.Or(cmp.Compare(b.Chance, a.Chance), cmp.Compare(b.Splices, a.Splices), cmp.Compare(b.Day, a.Day), cmp.Compare(a.Machine, b.Machine), cmp.Compare(a.Job, b.Job))
}

func latestDecisions(all []Decided) map[[3]string]*drift.Entry {
	out := map[[3]string]*drift.Entry{}
	for i := range all {
		e := all[i].Entry
		key := [3]string{all[i].Machine, e.Decision.Day, e.Decision.Job}
		if was := out[key]; was == nil || !e.When().Before(was.When()) {
			out[key] = e
		}
	}
	return out
}

// decide puts the latest decision beside the entry, and opens it again where the answer
// has changed since. Without a finding nobody has to decide.
func (e *Entry) decide(d *drift.Entry, found bool) {
	e.Open = found && e.Chance >= OpenFrom
	if d == nil {
		return
	}
	e.Decision = &Decision{
		Record: d.ID, Verdict: d.Decision.Verdict, Reason: d.Decision.Reason, Time: d.When().UTC(),
		By: d.Operator, Role: d.Decision.Role, Chance: d.Decision.Chance,
	}
	e.Open = false
	is := e.Chance
	if d.Decision.Verdict == drift.Remeasure { // what its own task has shown does not end the task
		is = e.Before.Or(e.Chance)
	}
	if was, stated := d.Decision.Chance.Get(); stated && found && math.Abs(is-was) > Material {
		e.Open, e.Reopened = true, &Reopened{Was: was, Is: e.Chance}
	}
}

// spanOf is the span that the entry belongs to, nil for none.
func (f *Found) spanOf(e *Entry) *Span {
	for i := range f.Spans {
		if f.Spans[i].Name == e.Span {
			return &f.Spans[i]
		}
	}
	return nil
}

// settle adds up the entries of the span, and says whether any waits.
func (s *Span) settle(lots []Lot) {
	var all, waiting []*Lot
	var own []Lot
	for i := range lots {
		if lot := &lots[i]; lot.Entry.Span == s.Name {
			all, own = append(all, lot), append(own, *lot)
			if lot.Entry.Open {
				waiting = append(waiting, lot)
			}
		}
	}
	s.All, s.Waiting = tally(all), tally(waiting)
	t := &s.All
	if len(waiting) > 0 {
		t, s.Open, s.OpenSince = &s.Waiting, true, drift.Some(s.To)
	}
	s.Summary, s.Next = s.Machine+": "+t.words(), next(own)
}

// tally adds up lots. Draws of one machine are joint: so are the sums.
func tally(lots []*Lot) Tally {
	t := Tally{Entries: len(lots), Counted: true}
	days := map[string]bool{}
	var counts []int
	for _, lot := range lots {
		e := &lot.Entry
		if days[e.Day] = true; t.First == "" || e.Day < t.First {
			t.First = e.Day
		}
		t.Last = max(t.Last, e.Day)
		t.Splices += e.Splices
		t.Counted = t.Counted && e.Counted
		if counts == nil {
			counts = make([]int, len(lot.counts))
		}
		for d, n := range lot.counts {
			counts[d] += n
		}
	}
	if t.Days = len(days); len(counts) > 0 {
		t.Out = number(counts)
	}
	return t
}

// words says the tally: "14 to 29 Nov, 340 splices, 60 likely out, between 30 and 95."
func (t *Tally) words() string {
	if t.Entries == 0 {
		return "no splices."
	}
	about := ""
	if !t.Counted {
		about = "about "
	}
	return fmt.Sprintf("%s, %s%s, %.0f likely out, between %d and %d.", between(t.First, t.Last), about, plural(t.Splices, "splice"), t.Out.Mean, t.Out.Low, t.Out.High)
}

// between writes a range of days: "14 to 29 Nov", "28 Nov to 2 Dec".
func between(first, last string) string {
	a, err := time.Parse(time.DateOnly, first)
	b, wrong := time.Parse(time.DateOnly, last)
	switch {
	case err != nil || wrong != nil:
		return first + " to " + last
	case a.Equal(b):
		return a.Format("2 Jan")
	case a.Year() == b.Year() && a.Month() == b.Month():
		return fmt.Sprintf("%d to %s", a.Day(), b.Format("2 Jan"))
	case a.Year() != b.Year():
		return a.Format("2 Jan 2006") + " to " + b.Format("2 Jan 2006")
	}
	return a.Format("2 Jan") + " to " + b.Format("2 Jan")
}

// total is a job in the making.
type total struct {
	Job
	machines, days map[string]bool
	counts         []int
}

func add(totals map[string]*total, lot *Lot) {
	e := &lot.Entry
	t := totals[e.Job]
	if t == nil {
		t = &total{Job: Job{Job: e.Job, Counted: true}, machines: map[string]bool{}, days: map[string]bool{}, counts: make([]int, len(lot.counts))}
		totals[e.Job] = t
	}
	t.machines[e.Machine], t.days[e.Day] = true, true
	t.Splices += e.Splices
	t.Counted = t.Counted && e.Counted
	if e.Open {
		t.Job.Open++
	}
	for d, n := range lot.counts {
		t.counts[d] += n
	}
}

func (t *total) job() Job {
	j := t.Job
	for name := range t.machines {
		j.Machines = append(j.Machines, name)
	}
	slices.Sort(j.Machines)
	j.Days, j.Out = len(t.days), number(t.counts)
	name := j.Job
	if name == "" {
		name = "No job named"
	}
	about := ""
	if !j.Counted {
		about = "about "
	}
	j.Summary = fmt.Sprintf("%s: %s%s, %.0f likely made out of tolerance, between %d and %d.", name, about, plural(j.Splices, "splice"), j.Out.Mean, j.Out.Low, j.Out.High)
	return j
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// warn says what limits the answer.
func (r *Report) warn() {
	estimated := map[string]bool{}
	for i := range r.Entries {
		if e := &r.Entries[i]; !e.Counted {
			estimated[e.Machine] = true
		}
	}
	if len(estimated) > 0 {
		names := make([]string, 0, len(estimated))
		for name := range estimated {
			names = append(names, name)
		}
		slices.Sort(names)
		const most = 5
		more := ""
		if len(names) > most {
			more = fmt.Sprintf(" and %d more", len(names)-most)
			names = names[:most]
		}
		r.Warnings = append(r.Warnings, "Some numbers of splices are estimated from arcs, because no splice record counts them: "+strings.Join(names, ", ")+more+".")
	}
}

// oddClock says that the machine's clock cannot be believed, "" if it can: its days may
// be wrong.
func (p *Past) oddClock() string {
	odd := 0
	for i := range p.Entries {
		if p.Entries[i].OddClock() || !p.Entries[i].Placed.IsZero() {
			odd++
		}
	}
	if odd == 0 {
		return ""
	}
	have, count := "has", "counts"
	if odd > 1 {
		have, count = "have", "count"
	}
	return fmt.Sprintf("%s: %s %s a time that cannot be right and %s where the arrival and the neighbours place it. The days of this machine may be wrong.", p.Machine, plural(odd, "record"), have, count)
}

// words says what could not be answered of one machine, of one job or, with "", of all.
func (s unanswered) words(machine, job string) (out []string) {
	count := func(of map[string]int) (sum int) {
		for name, n := range of {
			if job == "" || name == job {
				sum += n
			}
		}
		return sum
	}
	if n := count(s.splices); n > 0 {
		out = append(out, fmt.Sprintf("%s: nothing can be said of %s, because no calibration of this machine is known from before that time. The numbers likely out leave them out.", machine, plural(n, "splice")))
	}
	if n := count(s.losses); n > 0 {
		word := "measured loss fits"
		if n > 1 {
			word = "measured losses fit"
		}
		out = append(out, fmt.Sprintf("%s: %d %s no splices that a record counts on that day for that job. Check machine, time and job of these records.", machine, n, word))
	}
	return out
}
