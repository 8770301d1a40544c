package fleet

import (
	"context"
	"sync"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// Owed goes through all machines as a book tells them by a moment, and returns
// the checks that the rules of the trade asked for since another, kept or not.
func Owed(book Reader, since, asOf time.Time) ([]advise.Owed, error) {
	w, err := survey(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	return w.owed(since)
}

// Owed is the same of the records that the fleet reads, up to now.
func (f *Fleet) Owed(since time.Time) ([]advise.Owed, error) { return Owed(f.book, since, f.now()) }

func (w *world) owed(since time.Time) (out []advise.Owed, err error) {
	var mu sync.Mutex // their order does not matter
	err = w.each(context.Background(), w.names, func(_ int, l *life) {
		all := l.owed(w.zones.named(l.Settings.Zone))
		mu.Lock()
		defer mu.Unlock()
		for i := range all {
			if !all[i].Time.Before(since) {
				out = append(out, all[i])
			}
		}
	})
	return out, err
}

// owed follows a whole life.
func (l *life) owed(zone *time.Location) (out []advise.Owed) {
	watch := advise.Watch{Zone: zone, Every: l.Settings.DailyCheck, Model: l.Key.Model}
	reader := model.Reader{Settings: l.Settings}
	pair := 0
	for i := range l.entries {
		e := &l.entries[i]
		if ev, ok := reader.Next(e); ok {
			pair = ev.Pair
		}
		out = append(out, watch.Update(e, pair)...)
	}
	return out
}
