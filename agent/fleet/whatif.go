package fleet

import (
	"context"
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
