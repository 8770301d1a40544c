package store_test

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
)

// open opens the store at path and closes it, checked, at the test's end.
func open(t testing.TB, path string) *store.Store {
	t.Helper()
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func dbPath(t testing.TB) string { return filepath.Join(t.TempDir(), "arcdrift.db") }

func TestSuite(t *testing.T) {
	storetest.Run(t, func(t *testing.T) storetest.Store { return open(t, dbPath(t)) })
}

func TestDurableSuite(t *testing.T) {
	path := dbPath(t)
	storetest.RunDurable(t, func() storetest.Durable {
		s, err := store.Open(path, storetest.Received, store.Options{})
		require.NoError(t, err)
		return s
	})
}
