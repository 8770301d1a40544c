package fleet

import (
	"context"
	"time"

	"arcdrift/drift/lookback"
)

// past is the machine's history as a look-back reads it.
func (l *life) lookedBack(w *world) lookback.Past {
	return lookback.Past{
		Machine: l.name, Kind: w.pop.For(l.Key), Settings: l.Settings, Zone: w.zones.named(l.Settings.Zone),
		Entries: l.entries, Events: l.events,
	}
}

// PastsOf returns the histories that look-backs read, of one machine or, with "", of
// all, by what a book told by a moment.
func PastsOf(book Reader, machine string, asOf time.Time) ([]lookback.Past, error) {
	w, err := look(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	names := w.named(machine)
	out := make([]lookback.Past, len(names))
	err = w.each(context.Background(), names, func(i int, l *life) { out[i] = l.lookedBack(w) })
	return out, err
}
