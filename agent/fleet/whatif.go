package fleet

import (
	"context"
	"runtime"
	"time"

	"arcdrift/drift/whatif"
)

// Replays returns the pasts of all machines, for replaying other policies on them, as a
// reader tells them by a moment. It learns the populations first.
func Replays(ctx context.Context, reader Reader, asOf time.Time) ([]whatif.Past, error) {
	g, err := look(reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	all := make([]whatif.Past, len(g.names))
	err = g.each(ctx, g.names, func(i int, l *life) {
		all[i] = whatif.Past{
			Machine: l.name, Model: l.Key.Model, Kind: g.pop.For(l.Key), Settings: l.Settings, Zone: g.zones.named(l.Settings.Zone),
			Entries: l.entries, Events: l.events,
		}
	})
	return all, err
}

// WhatIf replays the policies of a question on the history that a reader tells. Without
// an end it goes up to now.
func WhatIf(ctx context.Context, reader Reader, q whatif.Question, now time.Time) (whatif.Report, error) {
	if q.To.IsZero() {
		q.To = now
	}
	if err := q.Check(); err != nil {
		return whatif.Report{}, err
	}
	pasts, err := Replays(ctx, reader, q.To)
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
