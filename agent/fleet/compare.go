package fleet

import (
	"context"
	"time"

	"arcdrift/drift/compare"
)

// Compared returns what the comparison of the fleet needs of each machine, as a reader
// tells it by a moment. It learns the populations first.
func Compared(ctx context.Context, reader Reader, asOf time.Time) ([]compare.Machine, error) {
	g, err := look(reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	return g.compared(ctx)
}

func (g *generation) compared(ctx context.Context) ([]compare.Machine, error) {
	out := make([]compare.Machine, len(g.names))
	err := g.each(ctx, g.names, func(i int, l *life) {
		out[i] = compare.Read(&compare.Past{
			Machine: l.name, Model: l.Key.Model, Kind: g.pop.For(l.Key), Settings: l.Settings, Entries: l.entries,
		}, g.cut.asOf)
	})
	return out, err
}
