package forward

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// The numbers of a store in a database have gaps. Nothing is reported as missing for
// them; the control has the same numbers and says nothing of them.
func TestGapsAreNoLoss(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	fill(t, van, 0, 10)
	f := forwarder(Hub{URL: hub.url}, sparse{wide{van}})
	defer f.hub.close()
	n, err := f.entries(t.Context())
	require.NoError(t, err)
	assert.Positive(t, n)
	assert.Zero(t, f.gone)
	again := forwarder(Hub{URL: hub.url + "/"}, wide{van})
	defer again.hub.close()
	_, err = again.entries(t.Context())
	require.NoError(t, err)
	assert.NotZero(t, again.gone, "the control")
}

// wide is a store that gives every 64th number.
type wide struct{ *store.Store }

func (w wide) SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	all, err := w.Store.SincePseudonymous(epoch, seq/64, limit)
	for i := range all {
		all[i].StoreSeq *= 64
	}
	return all, err
}

type sparse struct{ wide }

func (sparse) Sparse() bool { return true }
