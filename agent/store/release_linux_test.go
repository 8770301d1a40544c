package store

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
)

// Of a file that was cut short, only what is there is given back.
func TestPagesEndWithTheFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "arcdrift.db")
	s, err := Open(path, time.Now, Options{})
	require.NoError(t, err)
	require.NoError(t, s.PutCached(map[string][]byte{"K-07": make([]byte, 1<<20)}))
	require.NoError(t, s.Close())
	s, err = Open(path, time.Now, Options{ReadOnly: true})
	require.NoError(t, err)
	const cut = 64 << 10
	size := func() (n uintptr) {
		require.NoError(t, s.view(func(tx *bbolt.Tx) error {
			n = s.pages(tx).size
			return nil
		}))
		return n
	}
	assert.Greater(t, size(), uintptr(cut))
	require.NoError(t, os.Truncate(path, cut))
	assert.Equal(t, uintptr(cut), size())
	require.NoError(t, s.Close())
}
