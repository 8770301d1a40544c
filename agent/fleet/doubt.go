package fleet

import (
	"cmp"
	"context"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// Doubt looks back on the splices of a job, or of a machine in a time, as a book tells them
// of what had arrived by a moment. Its spans are those of what was found out in that time,
// not the time that was asked about. Only a part of the fleet is looked at, nil for all.
func Doubt(ctx context.Context, book Reader, knownAt time.Time, part drift.Part, q lookback.Question) (lookback.Report, error) {
	w, err := look(book, cut{knownAt, drift.Some(knownAt)})
	if err != nil {
		return lookback.Report{}, err
	}
	r, err := w.of(part).lookBack(ctx, q)
	if err != nil {
		return lookback.Report{}, err
	}
	r.Spans = slices.DeleteFunc(r.Spans, func(s lookback.Span) bool { return slices.Contains(s.Triggers, lookback.Asked) })
	slices.SortStableFunc(r.Spans, func(a, b lookback.Span) int {
		return cmp.Or(cmp.Compare(a.Machine, b.Machine), a.From.Compare(b.From))
	})
	return r, nil
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
