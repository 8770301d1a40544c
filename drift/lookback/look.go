package lookback

import (
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
	if !q.To.IsZero() {
		return p.asked(q)
	}
	var found Found
	for _, w := range p.windows(q) {
		c, lots := p.stretch(w.from, w.to)
		var spans []Span
		for _, f := range w.faults {
			spans = append(spans, c.span(f))
		}
		spans = merge(spans)
		found.Spans = append(found.Spans, spans...)
		found.Lots = append(found.Lots, c.entries(c.within(lots, spans), q.Losses)...)
	}
	return found
}

// asked looks at all splices between two moments.
func (p *Past) asked(q Query) Found {
	c, lots := p.stretch(q.From, q.To)
	s := Span{Machine: p.Machine, Triggers: []Trigger{Asked}, From: q.From.UTC(), To: q.To.UTC(), Good: "Somebody asked about this time."}
	return Found{Spans: []Span{s}, Lots: c.entries(lots, q.Losses)}
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

// stretch follows the machine over the work between two moments.
func (p *Past) stretch(from, to time.Time) (*course, []*lot) {
	pieces := p.pieces(from, to)
	c := p.follow(pieces)
	return c, p.lots(c.pieces)
}
