package store_test

import (
	"bytes"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func take(t *testing.T, s *store.Store, entries ...drift.Entry) {
	t.Helper()
	_, err := s.Append(entries, nil)
	require.NoError(t, err)
}

// What is kept is there after opening again; it may be corrupt or taken out, and
// nothing but itself is missed.
func TestCacheMayBeLost(t *testing.T) {
	path := dbPath(t)
	s := open(t, path)
	take(t, s, storetest.Calibration("K-1", 1))
	kept := func(name, want string) {
		t.Helper()
		got, err := s.Cached(name)
		require.NoError(t, err)
		assert.Equal(t, want, string(got))
	}
	kept("K-1", "")
	require.NoError(t, s.PutCached(map[string][]byte{"": []byte("all"), "K-1": []byte("one"), "K-2": []byte("two")}))
	require.NoError(t, s.PutCached(map[string][]byte{"K-1": []byte("another")}))
	require.NoError(t, s.Close())

	bucket := []byte("kept")
	edit(t, path, func(tx *bbolt.Tx) error {
		b := tx.Bucket(bucket)
		key := []byte("K-1\x00")
		return b.Put(key, bytes.Replace(b.Get(key), []byte("a"), []byte("e"), 1))
	})
	s = open(t, path)
	kept("", "all")
	kept("K-1", "")
	kept("K-2", "two")
	report, err := s.Verify()
	require.NoError(t, err)
	assert.Nil(t, report.First)
	require.NoError(t, s.Close())
	edit(t, path, func(tx *bbolt.Tx) error { return tx.DeleteBucket(bucket) })
	s = open(t, path)
	kept("", "")
	require.NoError(t, s.PutCached(map[string][]byte{"": []byte("all")}))
	kept("", "all")
	assert.Empty(t, s.Diagnostics())
}

// On a full disk what may be lost waits; the reserve is there for alerts.
func TestCachingLeavesTheReserve(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{MaxSize: 4 << 20, Reserve: 1 << 10})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	values := map[string][]byte{"K-1": make([]byte, 8<<20)}
	require.ErrorIs(t, s.PutCached(values), store.ErrFull)
	assert.FileExists(t, path+".ballast")
	take(t, s, storetest.Calibration("K-1", 1))
	require.ErrorIs(t, s.Decide(values["K-1"], nil, nil), store.ErrFull)
	assert.NoFileExists(t, path+".ballast", "control: an alert may have it")
	assert.ErrorIs(t, s.PutCached(map[string][]byte{"K-1": []byte("one")}), store.ErrFull)
}

// When a new reserve cannot be made for another reason than want of room, records
// are taken without one, as at the start.
func TestOnlyAFullDiskStopsRecords(t *testing.T) {
	path, now := dbPath(t), storetest.Received()
	s, err := store.Open(path, func() time.Time { return now }, store.Options{MaxSize: 4 << 20, Reserve: 1 << 10})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.ErrorIs(t, s.Decide(make([]byte, 8<<20), nil, nil), store.ErrFull)
	_, err = s.Append([]drift.Entry{storetest.Calibration("K-1", 1)}, nil)
	require.ErrorIs(t, err, store.ErrFull)
	require.NoError(t, os.MkdirAll(path+".ballast/in the way", 0o700))
	now = now.Add(time.Minute)
	take(t, s, storetest.Calibration("K-1", 1))
}
