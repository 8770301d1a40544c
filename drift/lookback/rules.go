package lookback

import (
	"time"

	"arcdrift/drift/model"
)

// Doubted says, by local day, which splices the rules in use today would doubt for the
// faults between two moments: everything since the last check that passed, and the
// last day of work. span are those that a look-back reviews.
func (p *Past) Doubted(from, to time.Time) (sincePass, lastDay, span map[string]bool) {
	p = p.ready()
	sincePass, lastDay, span = map[string]bool{}, map[string]bool{}, map[string]bool{}
	pieces := p.pieces(from, to)
	for _, f := range p.Faults() {
		if f.Trigger != CheckFailed && f.Trigger != PairWorn {
			continue
		}
		passed := p.passed(f.Found)
		last := ""
		for i := range pieces {
			c := &pieces[i]
			if c.arcs() < 1 || c.to.After(f.Found) {
				continue
			}
			if !c.from.Before(passed) {
				sincePass[c.day] = true
			}
			last = max(last, c.day)
		}
		if last != "" {
			lastDay[last] = true
		}
	}
	for _, s := range p.Look(Query{From: from, Now: to}).Spans {
		for i := range pieces {
			if c := &pieces[i]; c.arcs() >= 1 && !c.from.Before(s.From) && !c.to.After(s.To) {
				span[c.day] = true
			}
		}
	}
	return sincePass, lastDay, span
}

// passed is when the last check before a moment passed.
func (p *Past) passed(t time.Time) (last time.Time) {
	for i := range p.Events {
		ev := &p.Events[i]
		if !ev.Time.Before(t) {
			break
		}
		if ev.Kind == model.Attempt && ev.Passed {
			last = ev.Time
		}
	}
	return last
}
