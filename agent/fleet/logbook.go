package fleet

import (
	"context"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Logbook is what the records of one machine tell, as they had arrived by a moment.
type Logbook struct {
	Machine string
	// Before are the earlier names of a machine that was renamed.
	Before   []string
	Model    string
	Settings drift.Settings
	// Zone is the machine's, UTC without one.
	Zone *time.Location
	// Kept are the records as they were taken, corrections too, in order. Entries are
	// the same as they now read: corrected, without those that do not count.
	Kept, Entries []drift.Entry
	// Owed are the checks that the rules of the trade asked for, kept or not.
	Owed []advise.Owed
}

// Logbooks returns those of all machines that are wanted, in order of name, as a reader
// tells them of what had arrived by a moment. wanted is asked with a machine's name and
// its records as they now read.
func Logbooks(reader Reader, knownAt time.Time, wanted func(machine string, entries []drift.Entry) bool) ([]Logbook, error) {
	g, err := survey(reader, cut{knownAt, drift.Some(knownAt)})
	if err != nil {
		return nil, err
	}
	found := make([]*Logbook, len(g.names))
	err = g.each(context.Background(), g.names, func(i int, l *life) {
		if wanted(l.name, l.entries) {
			zone := g.zones.named(l.Settings.Zone)
			found[i] = &Logbook{Machine: l.name, Before: g.before[l.name], Model: l.Key.Model, Settings: l.Settings, Zone: zone, Entries: l.entries, Owed: l.owed(zone)}
		}
	})
	if err != nil {
		return nil, err
	}
	var out []Logbook
	for _, l := range found {
		if l == nil {
			continue
		}
		for _, name := range append([]string{l.Machine}, l.Before...) {
			entries, err := reader.History(name)
			if err != nil {
				return nil, err
			}
			l.Kept = append(l.Kept, entries...)
		}
		l.Kept = slices.DeleteFunc(l.Kept, func(e drift.Entry) bool { return e.Received.After(knownAt) })
		drift.Clocks(l.Kept)
		drift.Order(l.Kept)
		out = append(out, *l)
	}
	return out, nil
}
