package fleet

import (
	"bytes"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// A machine with a value that no stored form can hold is named once, and stored without a
// state: whoever reads that folds its records.
func TestAStateWithoutAStoredForm(t *testing.T) {
	before, today := past(t, evening)
	k := newKeeper(t, evening)
	k.take(t, append(before, today...)...)
	var said bytes.Buffer
	k.checkpoints.log = slog.New(slog.NewTextHandler(&said, nil))
	g := k.generation.Load()
	name := g.names[0]
	for range 2 {
		l, err := g.life(name)
		require.NoError(t, err)
		l.Temperature = drift.Some(math.NaN())
		k.checkpoints.fold(g, l)
	}
	raw, there := k.checkpoints.fresh[name]
	assert.True(t, there, "others learn that there is no state")
	assert.Empty(t, raw)
	assert.Equal(t, 1, strings.Count(said.String(), name), said.String())
	k.keep(g)
	assert.Empty(t, k.checkpoints.fresh)
	m, err := k.checkpoints.current(g, name)
	require.NoError(t, err)
	assert.NotEmpty(t, m.link)
}

// putting counts how often something is stored.
type putting struct {
	Cache
	times int
}

func (p *putting) PutCached(map[string][]byte) error { p.times++; return nil }

// Where processes share a fleet, the states of many machines are published at once: each
// part is a transaction for every slot.
func TestManyStatesArePublishedAtOnce(t *testing.T) {
	p := &putting{}
	n := &checkpoints{cache: p, atOnce: true, fresh: map[string][]byte{}, id: "same"}
	for i := range 5 * keptAtOnce {
		n.fresh[fmt.Sprintf("K-%05d", i)] = []byte("state")
	}
	require.NoError(t, n.keep(&generation{id: "same"}, evening))
	assert.Equal(t, 1, p.times)
	assert.Empty(t, n.fresh)
}
