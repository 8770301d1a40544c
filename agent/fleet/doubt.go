package fleet

import (
	"context"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// Doubt looks back on the splices of a job, or of a machine in a time, as a book tells them
// of what had arrived by a moment. Its spans are those of what was found out in that time,
// not the time that was asked about.
func Doubt(ctx context.Context, book Reader, knownAt time.Time, q lookback.Question) (lookback.Report, error) {
	w, err := look(book, cut{knownAt, drift.Some(knownAt)})
	if err != nil {
		return lookback.Report{}, err
	}
	r, err := w.lookBack(ctx, q)
	if err != nil {
		return lookback.Report{}, err
	}
	asked := map[string]lookback.Span{}
	var names []string
	for _, s := range r.Spans {
		asked[s.Machine] = s
		names = append(names, s.Machine)
	}
	slices.Sort(names)
	found := make([][]lookback.Span, len(names))
	err = w.each(ctx, names, func(i int, l *life) {
		p, within := l.lookedBack(w), asked[l.name]
		spans := p.Look(lookback.Query{From: within.From, Now: knownAt}).Spans
		for _, s := range spans {
			if s.From.Before(within.To) && s.To.After(within.From) {
				found[i] = append(found[i], s)
			}
		}
	})
	r.Spans = append([]lookback.Span{}, slices.Concat(found...)...)
	return r, err
}

// ZoneOf is the time zone of a machine as the records tell it by a moment; UTC without
// one.
func ZoneOf(book Reader, machine string, asOf time.Time) (*time.Location, error) {
	w, err := survey(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	l, err := w.life(w.setups.Named(machine))
	if err != nil {
		return nil, err
	}
	return w.zones.named(l.Settings.Zone), nil
}
