package fleet

import (
	"context"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/compare"
)

// Compare says which cleavers, lots, models, sites and machines do worse, as a reader
// tells it by a moment. It learns the populations first.
func Compare(ctx context.Context, reader Reader, asOf time.Time) (compare.Report, error) {
	g, err := look(reader, cut{asOf: asOf})
	if err != nil {
		return compare.Report{}, err
	}
	return g.compare(ctx, nil)
}

// Compare is [Compare] of a part of the fleet, by its records up to now.
func (f *Fleet) Compare(part drift.Part) (compare.Report, error) {
	g, err := f.at(f.now())
	if err != nil {
		return compare.Report{}, err
	}
	return g.compare(context.Background(), part)
}

func (g *generation) compare(ctx context.Context, part drift.Part) (compare.Report, error) {
	var names []string
	for _, name := range g.names {
		if part.Has(name) {
			names = append(names, name)
		}
	}
	machines := make([]compare.Machine, len(names))
	err := g.each(ctx, names, func(i int, l *life) {
		machines[i] = compare.Read(&compare.Past{
			Machine: l.name, Model: l.Key.Model, Kind: g.pop.For(l.Key), Settings: l.Settings, From: part.Since(l.name), Entries: l.entries,
		}, g.cut.asOf)
	})
	if err != nil {
		return compare.Report{}, err
	}
	return compare.All(machines, g.cut.asOf)
}
