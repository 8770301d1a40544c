package lookback

import (
	"fmt"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Query says what to look back on.
type Query struct {
	// From and To bound the splices that are asked about. Without To, what was found
	// out since From.
	From, To time.Time
	// Now is the moment of the question: work after the last record up to it counts.
	Now time.Time
	// Losses turns measured losses into evidence; nil leaves them out.
	Losses *LossModel
}

// Found is what a look-back on one machine found. Lots are in time order.
type Found struct {
	Spans []Span
	Lots  []Lot

	unanswered unanswered
}

// Look looks back on one machine.
func (p *Past) Look(q Query) Found {
	p = p.ready()
	if !q.To.IsZero() {
		return p.asked(q)
	}
	windows := p.windows(q)
	found := Found{unanswered: unanswered{losses: p.strayLosses(q.From, q.Now)}}
	for i, c := range p.courses(windows) {
		if c == nil {
			continue
		}
		spans := c.spans(windows[i].faults)
		found.Spans = append(found.Spans, spans...)
		found.Lots = append(found.Lots, c.entries(c.within(p.made(c.pieces), spans), spans, q.Losses)...)
	}
	return found
}

// strayLosses are measured losses of a time that fit no splices of their day and job.
func (p *Past) strayLosses(from, to time.Time) map[string]int {
	then := p.between(from, to)
	if !slices.ContainsFunc(then.Entries, func(e drift.Entry) bool { return e.Splice != nil && e.Splice.Measured() }) {
		return nil
	}
	_, open := then.lots(p.pieces(from, to))
	return open.losses
}

// asked looks at all splices of a time. What was found out about that time says which of
// them somebody has to decide on; a finding is the same whatever part of it is asked about.
func (p *Past) asked(q Query) (found Found) {
	_, found.unanswered = p.between(q.From, q.To).lots(p.pieces(q.From, q.To))
	asked := p.courses([]window{{from: q.From, to: q.To}})[0]
	if asked == nil {
		return found
	}
	found.Spans = []Span{{Machine: p.Machine, Triggers: []Trigger{Asked}, From: q.From.UTC(), To: q.To.UTC(), Good: "Nothing was found out about this time."}}
	found.Spans[0].name()
	windows := p.windows(Query{From: q.From.Add(-farthest), Now: q.Now})
	windows = slices.DeleteFunc(windows, func(w window) bool { return !w.from.Before(q.To) || !w.to.After(q.From) })
	for i, c := range p.courses(windows) {
		if c == nil {
			continue
		}
		for _, s := range c.spans(windows[i].faults) {
			if s.From.Before(q.To) && s.To.After(q.From) {
				found.Spans = append(found.Spans, s)
			}
		}
	}
	found.Lots = asked.entries(p.made(asked.pieces), found.Spans, q.Losses)
	return found
}

// made are the splices of these pieces of work. They are spread over the work before and
// after too: a record counts those since the one before it.
func (p *Past) made(pieces []piece) []*lot {
	wide := p.pieces(pieces[0].from.Add(-longest), pieces[len(pieces)-1].to.Add(longest))
	lots, _ := p.lots(wide)
	first := slices.IndexFunc(wide, func(c piece) bool { return c.from.Equal(pieces[0].from) })
	for _, l := range lots {
		all := l.share
		l.share = map[int]float64{}
		for j, n := range all {
			if at := j - first; at >= 0 && at < len(pieces) {
				l.share[at] = n
			}
		}
	}
	return lots
}

// between is the history with the records of that time only, for counting.
func (p *Past) between(from, to time.Time) *Past {
	some := *p
	some.Entries = slices.DeleteFunc(slices.Clone(p.Entries), func(e drift.Entry) bool { return e.When().Before(from) || e.When().After(to) })
	return &some
}

// courses follows the machine through each of the windows, nil where no work was done.
func (p *Past) courses(windows []window) []*course {
	pieces := make([][]piece, len(windows))
	var starts []int
	for i, w := range windows {
		if pieces[i] = p.pieces(w.from, w.to); len(pieces[i]) > 0 {
			starts = append(starts, first(pieces[i]))
		}
	}
	out := make([]*course, len(windows))
	if len(starts) == 0 {
		return out
	}
	bend, machines := p.walk(starts)
	for i := range windows {
		if len(pieces[i]) > 0 {
			out[i] = p.follow(machines[0], pieces[i], bend)
			machines = machines[1:]
		}
	}
	return out
}

// window is a time that is looked at in one go.
type window struct {
	from, to time.Time
	faults   []Fault
}

// windows are what may have to be reviewed for the faults since a moment: as far back
// as the last point known good may lie. Those that overlap are one.
func (p *Past) windows(q Query) []window {
	var out []window
	for _, f := range p.Faults() {
		if f.Found.Before(q.From) || f.Found.After(q.Now) {
			continue
		}
		begins := f.Found
		if !f.From.IsZero() {
			begins = f.From
		}
		w := window{p.passBefore(begins), f.Found, []Fault{f}}
		if last := len(out) - 1; last >= 0 && !w.from.After(out[last].to) {
			out[last].faults = append(out[last].faults, f)
			if w.from.Before(out[last].from) {
				out[last].from = w.from
			}
			if w.to.After(out[last].to) {
				out[last].to = w.to
			}
			continue
		}
		out = append(out, w)
	}
	return out
}

// passBefore is when the check passed that is so many before a moment that it ends any
// span, or as far back as one goes.
func (p *Past) passBefore(t time.Time) time.Time {
	oldest := t.Add(-farthest)
	seen := 0
	for i := len(p.Events) - 1; i >= 0; i-- {
		ev := &p.Events[i]
		if !ev.Time.Before(t) {
			continue
		}
		if ev.Time.Before(oldest) {
			break
		}
		if ev.Kind == model.Attempt && ev.Passed {
			if seen++; seen == passes {
				return ev.Time
			}
		}
	}
	return oldest
}

// within leaves of the lots what was made in one of the spans.
func (c *course) within(lots []*lot, spans []Span) []*lot {
	for _, l := range lots {
		for j := range l.share {
			at := &c.pieces[j]
			if !slices.ContainsFunc(spans, func(s Span) bool { return s.holds(at) }) {
				delete(l.share, j)
			}
		}
	}
	return lots
}

// Question asks which splices to doubt: of a job, of a time on one machine or, with
// neither, what was found out lately.
type Question struct {
	Machine, Job string
	From, To     drift.Opt[time.Time]
}

// Lately is how far back findings count where no time is asked for.
const Lately = 60 * 24 * time.Hour

// Check says what is wrong with a question: it returns nil or a *drift.Problem.
func (q *Question) Check() error {
	from, begins := q.From.Get()
	to, ends := q.To.Get()
	switch {
	case begins && ends && !from.Before(to):
		return &drift.Problem{Field: "to", Value: to.Format(time.RFC3339), Reason: "must be later than from"}
	case begins && ends && to.Sub(from) > longestAsked:
		return &drift.Problem{Field: "from", Value: from.Format(time.RFC3339), Reason: "is more than three years before to: ask for a shorter time"}
	case (begins || ends) && q.Machine == "" && q.Job == "":
		return &drift.Problem{Field: "machine", Reason: "is missing: a time is asked about one machine, or give a job"}
	}
	return nil
}

const longestAsked = 3 * 366 * 24 * time.Hour

// of is the question as it is put to one machine; false where it does not concern it.
func (q *Question) of(p *Past, now time.Time) (Query, bool) {
	out := Query{From: q.From.Or(now.Add(-Lately)), Now: now}
	if q.Job != "" {
		first, last, any := p.worked(q.Job)
		out.From, out.To = q.From.Or(first), q.To.Or(last)
		return out, any && out.From.Before(out.To)
	}
	if q.From.Known() || q.To.Known() {
		out.To = q.To.Or(now)
		out.From = q.From.Or(out.To.Add(-farthest))
	}
	return out, true
}

// worked is the time in which splices of a job were made.
func (p *Past) worked(job string) (first, last time.Time, any bool) {
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Splice == nil || e.Splice.Job != job {
			continue
		}
		if !any {
			first = e.When().Add(-longest)
		}
		last, any = e.When().Add(time.Second), true
	}
	return first, last, any
}

// Source visits the histories of n machines, in any order and at once if it likes; it is
// called again where measured losses have to be weighed.
type Source func(visit func(i int, p *Past)) error

// part is what one machine contributes to a report.
type part struct {
	machine   string
	found     Found
	decisions []Decided
	clock     string
}

// All answers a question about n machines. How likely losses are is learnt from the
// splices that were measured, if any.
func All(n int, source Source, q Question, now time.Time) (Report, error) {
	parts := make([]part, n)
	err := source(func(i int, p *Past) {
		if query, concerns := q.of(p, now); concerns {
			parts[i] = part{machine: p.Machine, found: p.Look(query), decisions: p.Decisions(), clock: p.oddClock()}
		}
	})
	if err != nil {
		return Report{}, err
	}
	var samples []Sample
	for i := range parts {
		samples = append(samples, parts[i].found.samples()...)
	}
	losses := LearnLoss(samples)
	if slices.ContainsFunc(parts, func(one part) bool { return one.found.measured() }) {
		err = source(func(i int, p *Past) {
			if query, _ := q.of(p, now); parts[i].found.measured() {
				query.Losses = &losses
				parts[i].found = p.Look(query)
			}
		})
		if err != nil {
			return Report{}, err
		}
	}
	return q.report(parts, len(samples), now), nil
}

func (q *Question) report(parts []part, measured int, now time.Time) Report {
	var found []Found
	var decided []Decided
	var limits []string
	for i := range parts {
		found, decided = append(found, parts[i].found), append(decided, parts[i].decisions...)
		if parts[i].clock != "" && len(parts[i].found.Lots) > 0 {
			limits = append(limits, parts[i].clock)
		}
		limits = append(limits, parts[i].found.unanswered.words(parts[i].machine, q.Job)...)
	}
	r := Assemble(found, decided, q.Job, now)
	if measured > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("What a measured loss says rests on %s measured from both ends and on a prior from memory.", plural(measured, "splice")))
	}
	r.Warnings = append(r.Warnings, limits...)
	return r
}

// measured says whether an instrument measured any of the splices.
func (f *Found) measured() bool {
	return slices.ContainsFunc(f.Lots, func(lot Lot) bool {
		return slices.ContainsFunc(lot.measured, func(one loss) bool { return !one.estimated })
	})
}

// samples are the splices measured from both ends, with the chances stated for their
// lots without that.
func (f *Found) samples() (out []Sample) {
	for i := range f.Lots {
		lot := &f.Lots[i]
		for _, one := range lot.measured {
			if one.bothWays {
				out = append(out, Sample{one.db, lot.Entry.Before.Or(lot.Entry.Chance)})
			}
		}
	}
	return out
}
