package lookback

import (
	"fmt"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
	"arcdrift/drift/phrase"
)

// Fault is a moment at which a machine was found out.
type Fault struct {
	Trigger Trigger
	Record  string
	// From is when the doubt begins, if the trigger says it: when a check became due
	// that was not made. Zero: at the last point known good.
	From time.Time
	// Found is when it was found out.
	Found time.Time
}

// Faults lists what started look-backs on the machine, in time order.
func (p *Past) Faults() []Fault {
	var out []Fault
	byID := map[string]*model.Event{}
	for i := range p.Events {
		byID[p.Events[i].ID] = &p.Events[i]
	}
	w := advise.Watch{Zone: p.zone(), Every: p.Settings.DailyCheck}
	pair := 0
	for i := range p.Entries {
		e := &p.Entries[i]
		ev := byID[e.ID]
		if ev != nil {
			pair = ev.Pair
		}
		for _, owed := range w.Update(e, pair) {
			if !owed.Kept {
				out = append(out, Fault{RuleBroken, e.ID, p.unchecked(owed.Time), owed.Time.UTC()})
			}
		}
		switch {
		case len(e.CorrectedBy) > 0 && e.Splice == nil && e.Setup == nil && ev != nil:
			out = append(out, Fault{Trigger: RecordCorrected, Record: e.CorrectedBy[len(e.CorrectedBy)-1], Found: e.When().UTC()})
		case e.Service != nil && (e.Service.Finding == drift.Worn || e.Service.Finding == drift.Dirty):
			out = append(out, Fault{Trigger: PairWorn, Record: e.ID, Found: e.When().UTC()})
		case ev != nil && ev.Kind == model.Attempt && ev.NewSession && !ev.Conditioning && (!ev.Passed || ev.Tries > 1):
			out = append(out, Fault{Trigger: CheckFailed, Record: e.ID, Found: e.When().UTC()})
		}
	}
	return out
}

// unchecked is the beginning of the local day of a use before which no check was made.
func (p *Past) unchecked(used time.Time) time.Time {
	local := used.In(p.zone())
	return time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, p.zone()).UTC()
}

const (
	// farthest is how far a look-back goes back at most: what is older was found good,
	// or not, by other records.
	farthest = 30 * 24 * time.Hour
	// good is the chance of being out up to which a check that passed at its first
	// attempt is taken for a point known good.
	good = 0.1
	// passes is how many checks that passed end a span in any case, good or not: a
	// machine that always is near its tolerance has no point known good.
	passes = 3
)

// span looks for the last point known good before a fault.
func (c *course) span(f Fault) Span {
	s := Span{Machine: c.past.Machine, Triggers: []Trigger{f.Trigger}, Record: f.Record, To: f.Found, first: f.Found}
	oldest := f.Found.Add(-farthest)
	s.From, s.Good = oldest, "No check is known to have been good in the 30 days before."
	if len(c.past.Events) > 0 && c.past.Events[0].Time.After(oldest) {
		s.From, s.Good = c.past.Events[0].Time.UTC(), "Nothing is known of the machine before its first record."
	}
	begins := f.Found
	if !f.From.IsZero() {
		begins = f.From
	}
	seen := 0
	for i := len(c.checks) - 1; i >= 0; i-- {
		k := &c.checks[i]
		if !k.at.Before(begins) || k.at.Before(oldest) {
			continue
		}
		if seen++; k.out <= good || seen == passes {
			s.From = k.at.UTC()
			s.Good = fmt.Sprintf("The check of %s passed. The chance that the machine was out of tolerance then: %s.",
				phrase.Moment(k.at.In(c.past.zone())), phrase.Unit(phrase.Fixed(100*k.out, 0), "%"))
			break
		}
	}
	return s
}

// spans are those of the faults, joined where they overlap.
func (c *course) spans(faults []Fault) []Span {
	var out []Span
	for _, f := range faults {
		out = append(out, c.span(f))
	}
	out = merge(out)
	for i := range out {
		out[i].name()
		out[i].found(c.past.zone())
	}
	return out
}

// found says when and what was found out, by the machine's clock.
func (s *Span) found(zone *time.Location) {
	when := "on " + phrase.Moment(s.To.In(zone))
	if s.first.Before(s.To) {
		when = "first on " + phrase.Moment(s.first.In(zone)) + ", last " + when
	}
	s.Found = "Found " + when + ": " + s.words() + "."
}

// name names the span by its machine and the time of the finding.
func (s *Span) name() {
	what := "found"
	if s.asked() {
		what = "asked"
	}
	s.Name = s.Machine + " " + what + " " + s.To.UTC().Format(time.RFC3339)
}

// asked says whether somebody asked for the span: nothing was found out.
func (s *Span) asked() bool { return slices.Contains(s.Triggers, Asked) }

// holds says whether the piece of work was done within the span.
func (s *Span) holds(at *piece) bool { return !at.from.Before(s.From) && !at.to.After(s.To) }

// spanOf is the name of the last span in which splices of the lot were made, one that was
// found rather than asked for.
func (c *course) spanOf(l *lot, spans []Span) string {
	name := ""
	for i := range spans {
		s := &spans[i]
		if s.asked() || slices.ContainsFunc(l.pieces(), func(j int) bool { return s.holds(&c.pieces[j]) }) {
			name = s.Name
		}
	}
	return name
}

// merge joins spans that overlap: what was found out twice is one look-back.
func merge(spans []Span) []Span {
	slices.SortStableFunc(spans, func(a, b Span) int { return a.From.Compare(b.From) })
	var out []Span
	for _, s := range spans {
		last := len(out) - 1
		if last < 0 || !s.From.Before(out[last].To) {
			out = append(out, s)
			continue
		}
		if s.To.After(out[last].To) {
			out[last].To = s.To
		}
		if s.first.Before(out[last].first) {
			out[last].first = s.first
		}
		for _, t := range s.Triggers {
			if !slices.Contains(out[last].Triggers, t) {
				out[last].Triggers = append(out[last].Triggers, t)
			}
		}
	}
	return out
}
