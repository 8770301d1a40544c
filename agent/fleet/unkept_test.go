package fleet

import (
	"bytes"
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
	before, today := story(t)
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
