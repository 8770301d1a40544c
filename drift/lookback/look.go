package lookback

import (
	"fmt"
	"slices"
	"time"

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
}

// Look looks back on one machine.
func (p *Past) Look(q Query) Found {
	if len(p.Events) == 0 {
		return Found{}
	}
	windows := p.windows(q)
	if !q.To.IsZero() {
		windows = []window{{from: q.From, to: q.To}}
	}
	var found Found
	courses := p.courses(windows)
	for i, c := range courses {
		if c == nil {
			continue
		}
		lots := p.lots(c.pieces)
		if !q.To.IsZero() {
			found.Spans = []Span{{Machine: p.Machine, Triggers: []Trigger{Asked}, From: q.From.UTC(), To: q.To.UTC(), Good: "Somebody asked about this time."}}
			found.Lots = c.entries(lots, q.Losses)
			break
		}
		var spans []Span
		for _, f := range windows[i].faults {
			spans = append(spans, c.span(f))
		}
		spans = merge(spans)
		found.Spans = append(found.Spans, spans...)
		found.Lots = append(found.Lots, c.entries(c.within(lots, spans), q.Losses)...)
	}
	return found
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
			if !slices.ContainsFunc(spans, func(s Span) bool { return !at.from.Before(s.From) && !at.to.After(s.To) }) {
				delete(l.share, j)
			}
		}
	}
	return lots
}

// All looks back on several machines and puts the answers together: each with the query
// of the same place. How likely losses are is learnt from those that the machines'
// splices were measured at, if any. each calls do for 0 to n−1, at once if it likes.
func All(pasts []Past, queries []Query, job string, now time.Time, each func(n int, do func(int))) Report {
	found := make([]Found, len(pasts))
	each(len(pasts), func(i int) { found[i] = pasts[i].Look(queries[i]) })
	var decided []Decided
	var samples []Sample
	for i := range pasts {
		decided = append(decided, pasts[i].Decisions()...)
		samples = append(samples, found[i].samples()...)
	}
	if len(samples) > 0 {
		losses := LearnLoss(samples)
		each(len(pasts), func(i int) {
			if found[i].measured() {
				queries[i].Losses = &losses
				found[i] = pasts[i].Look(queries[i])
			}
		})
	}
	r := Assemble(found, decided, job, now)
	if len(samples) > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("What a measured loss says rests on %s measured from both ends and on a prior from memory.", plural(len(samples), "splice")))
	}
	r.Warnings = append(r.Warnings, Clocks(pasts)...)
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
