package store_test

import (
	"bytes"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// A store of an earlier schema loses nothing by being brought to this one: what it
// says, what is a repeat, and its digests where they hold no name.
func TestMigration(t *testing.T) {
	path := dbPath(t)
	withPeople(t, path, nil)
	old, err := store.Open(path, storetest.Received, store.Options{ReadOnly: true})
	require.NoError(t, err)
	before, history, digests := everything(t, old), must(old.History("K-9")), must(old.Digests())
	_, end, err := old.After("K-8", nil)
	require.NoError(t, err)
	require.NoError(t, old.Close())

	s := open(t, path)
	require.Equal(t, before, everything(t, s))
	require.Equal(t, history, must(s.History("K-9")))
	require.Equal(t, digests["K-5"], must(s.Digests())["K-5"])
	_, now, err := s.After("K-8", nil)
	require.NoError(t, err)
	require.NotEqual(t, end, now, "its chain is made anew")
	for _, idOf := range []func(*drift.Record) string{(*drift.Record).Identity, (*drift.Record).NamedIdentity} {
		placed, err := s.Append(crew(idOf), nil)
		require.NoError(t, err)
		for i := range placed {
			require.True(t, placed[i].Duplicate, "%d", i)
		}
	}
	hub := open(t, dbPath(t))
	_, err = hub.Append(before, nil)
	require.NoError(t, err)
	ours, theirs := must(s.Digests()), must(hub.Digests())
	delete(ours, "K-9") // counts by somebody, compacted when that was part of their sums
	delete(theirs, "K-9")
	require.Equal(t, theirs, ours)

	_, err = s.Forget(asa)
	require.NoError(t, err)
	nameless(t, s, path, asa)
	storetest.Invariants(t, s)
	report, err := s.Verify()
	require.NoError(t, err)
	require.Nil(t, report.First)
}

// What was wrong with an old store is wrong with it when it is brought to this
// schema, at the same entry.
func TestMigrationHidesNothing(t *testing.T) {
	entries := func(tx *bbolt.Tx) *bbolt.Bucket { return tx.Bucket([]byte("entries")) }
	for name, tamper := range map[string]func(tx *bbolt.Tx) error{
		"nothing": func(*bbolt.Tx) error { return nil },
		"edited": func(tx *bbolt.Tx) error {
			p := entriesOf(tx, "K-7")[3]
			return entries(tx).Put(p.key, resealed(p.key, bytes.Replace(p.value, []byte(`"humidity_pct":71`), []byte(`"humidity_pct":17`), 1)))
		},
		"another's name": func(tx *bbolt.Tx) error {
			p := entriesOf(tx, "K-7")[4]
			return entries(tx).Put(p.key, resealed(p.key, bytes.Replace(p.value, []byte("Jo Lund"), []byte("Al Lund"), 1)))
		},
		"corrupt": func(tx *bbolt.Tx) error {
			p := entriesOf(tx, "K-8")[1]
			p.value[20] ^= 1
			return entries(tx).Put(p.key, p.value)
		},
		"taken out":   func(tx *bbolt.Tx) error { return entries(tx).Delete(entriesOf(tx, "K-7")[5].key) },
		"the last":    func(tx *bbolt.Tx) error { return entries(tx).Delete(entriesOf(tx, "K-7")[11].key) },
		"end corrupt": func(tx *bbolt.Tx) error { return tx.Bucket([]byte("heads")).Put([]byte("K-7\x00"), []byte("?")) },
		"put in": func(tx *bbolt.Tx) error {
			p := entriesOf(tx, "K-7")[5]
			p.key[len(p.key)-9]++
			return entries(tx).Put(p.key, resealed(p.key, p.value))
		},
		"compacted cut": func(tx *bbolt.Tx) error { return tx.Bucket([]byte("thinned")).Delete(first(tx, "thinned")) },
	} {
		t.Run(name, func(t *testing.T) {
			path := dbPath(t)
			withPeople(t, path, tamper)
			before, err := store.VerifyFile(path)
			require.NoError(t, err)
			require.Equal(t, name == "nothing", before.First == nil)
			after, err := open(t, path).Verify()
			require.NoError(t, err)
			require.Equal(t, before, after)
		})
	}
}

func first(tx *bbolt.Tx, bucket string) []byte {
	k, _ := tx.Bucket([]byte(bucket)).Cursor().First()
	return bytes.Clone(k)
}

// withPeople puts the store of schema 2 there that names people, tampered with.
func withPeople(t *testing.T, path string, tamper func(*bbolt.Tx) error) {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/store/v2-people.bolt")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, raw, 0o600))
	if tamper != nil {
		edit(t, path, tamper)
	}
}
