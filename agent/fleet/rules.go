package fleet

import (
	"context"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// Owed returns the checks that the rules of the trade asked for between two moments, of
// all machines, done or not.
func Owed(reader Reader, since, asOf time.Time) ([]advise.Owed, error) {
	g, err := survey(reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	return g.owed(since)
}

// Owed is [Owed] of the fleet's records up to now.
func (f *Fleet) Owed(since time.Time) ([]advise.Owed, error) { return Owed(f.reader, since, f.now()) }

func (g *generation) owed(since time.Time) (out []advise.Owed, err error) {
	var mu sync.Mutex // their order does not matter
	err = g.each(context.Background(), g.names, func(_ int, l *life) {
		all := l.owed(g.zones.named(l.Settings.Zone))
		mu.Lock()
		defer mu.Unlock()
		for i := range all {
			if all[i].Machine = l.name; !all[i].Time.Before(since) {
				out = append(out, all[i])
			}
		}
	})
	return out, err
}

// owed lists the checks that were owed in a whole life.
func (l *life) owed(zone *time.Location) (out []advise.Owed) {
	l.watch(zone, func(_ *drift.Entry, owed []advise.Owed) { out = append(out, owed...) })
	return out
}

// watch follows a whole life and visits each entry with the checks that were owed at it.
func (l *life) watch(zone *time.Location, visit func(e *drift.Entry, owed []advise.Owed)) {
	watch := advise.Watch{Zone: zone, Every: l.Settings.DailyCheck, Model: l.Key.Model}
	reader := model.Reader{Settings: l.Settings}
	pair := 0
	for i := range l.entries {
		e := &l.entries[i]
		if ev, ok := reader.Next(e); ok {
			pair = ev.Pair
		}
		visit(e, watch.Update(e, pair))
	}
}
