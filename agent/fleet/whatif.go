package fleet

import (
	"context"
	"runtime"
	"time"

	"arcdrift/drift/whatif"
)

// Replays returns the pasts of all machines, for replaying other policies on them, as a
// book tells them by a moment. It learns the populations first.
func Replays(ctx context.Context, book Reader, asOf time.Time) ([]whatif.Past, error) {
	w, err := look(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	all := make([]whatif.Past, len(w.names))
	err = w.each(ctx, w.names, func(i int, l *life) {
		all[i] = whatif.Past{
			Machine: l.name, Model: l.Key.Model, Kind: w.pop.For(l.Key), Settings: l.Settings, Zone: w.zones.named(l.Settings.Zone),
			Entries: l.entries, Events: l.events,
		}
	})
	return all, err
}

// WhatIf replays the policies of a question on the history that a book tells. Without
// an end it goes up to now.
func WhatIf(ctx context.Context, book Reader, q whatif.Question, now time.Time) (whatif.Report, error) {
	if q.To.IsZero() {
		q.To = now
	}
	if err := q.Check(); err != nil {
		return whatif.Report{}, err
	}
	pasts, err := Replays(ctx, book, q.To)
	if err != nil {
		return whatif.Report{}, err
	}
	return whatif.Ask(pasts, q, func(n int, do func(int)) error {
		names := make([]string, n)
		return each(ctx, runtime.GOMAXPROCS(0), names, func(i int, _ string) error {
			do(i)
			return nil
		})
	})
}
