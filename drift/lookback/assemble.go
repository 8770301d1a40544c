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

// Decided is a decision as a record tells it, with the machine under its present name.
type Decided struct {
	Machine string
	Entry   *drift.Entry
}

// Decisions collects the decisions of a history.
func (p *Past) Decisions() (out []Decided) {
	for i := range p.Entries {
		if e := &p.Entries[i]; e.Decision != nil {
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
		for j := range found[i].Lots {
			lot := found[i].Lots[j]
			if job != "" && lot.Entry.Job != job {
				continue
			}
			lot.Entry.decide(latest[lot.Entry.key()])
			r.Entries = append(r.Entries, lot.Entry)
			add(totals, &lot)
		}
		r.Spans = append(r.Spans, found[i].Spans...)
	}
	slices.SortFunc(r.Entries, worstFirst)
	for i := range r.Spans {
		r.Spans[i].settle(r.Entries)
	}
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
// has changed since.
func (e *Entry) decide(d *drift.Entry) {
	e.Open = e.Chance >= OpenFrom
	if d == nil {
		return
	}
	e.Decision = &Decision{
		Record: d.ID, Verdict: d.Decision.Verdict, Reason: d.Decision.Reason, Time: d.When().UTC(),
		By: d.Operator, Role: d.Decision.Role, Chance: d.Decision.Chance,
	}
	e.Open = false
	if was, told := d.Decision.Chance.Get(); told && math.Abs(e.Chance-was) > Material {
		e.Open, e.Reopened = true, &Reopened{Was: was, Is: e.Chance}
	}
}

// settle says whether an entry of the span waits.
func (s *Span) settle(entries []Entry) {
	from, to := s.From.Add(-24*time.Hour).Format(time.DateOnly), s.To.Add(24*time.Hour).Format(time.DateOnly)
	for i := range entries {
		if e := &entries[i]; e.Open && e.Machine == s.Machine && e.Day >= from && e.Day <= to {
			s.Open, s.OpenSince = true, drift.Some(s.To)
			return
		}
	}
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
func (s strays) words(machine, job string) (out []string) {
	count := func(of map[string]int) (sum int) {
		for name, n := range of {
			if job == "" || name == job {
				sum += n
			}
		}
		return sum
	}
	if n := count(s.splices); n > 0 {
		out = append(out, fmt.Sprintf("%s: nothing can be said of %s, because no calibration of this machine is known from before that time. They are in no total.", machine, plural(n, "splice")))
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
