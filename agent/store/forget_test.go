package store_test

import (
	"bytes"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// nameless demands that no file in the directory holds the name, in any of its
// writings, nor what can be read of the store.
func nameless(t *testing.T, s *store.Store, path, name string) {
	t.Helper()
	require.NoError(t, holding(path, name))
	for e, err := range store.Entries(s) {
		require.NoError(t, err)
		require.NotContains(t, e.People(), name)
	}
	refused, err := s.Refusals("", 0)
	require.NoError(t, err)
	for _, r := range refused {
		for _, written := range []string{name, `\u00c5sa`, `\u00C5sa`, url.QueryEscape(name)} {
			require.NotContains(t, string(r.Raw)+r.Problem.Value, written)
		}
		require.NotContains(t, string(r.Raw), "Lindqvist")
	}
	people, err := s.PeopleSince(0, 100)
	require.NoError(t, err)
	for _, p := range people {
		require.NotEqual(t, name, p.Name)
	}
}

// holding says which file beside the store holds the name or a part of it.
func holding(path, name string) error {
	return filepath.Walk(filepath.Dir(path), func(file string, info os.FileInfo, err error) error {
		if err != nil || info.IsDir() {
			return err
		}
		raw, err := os.ReadFile(file)
		for _, part := range strings.Fields(name) {
			if len(part) > 3 && bytes.Contains(raw, []byte(part)) {
				return &os.PathError{Op: "the name is in", Path: file, Err: os.ErrExist}
			}
		}
		return err
	})
}

// crewed is a store with the crew's records, decisions and messages, and compacted counts.
func crewed(t *testing.T, path string, idOf func(*drift.Record) string) *store.Store {
	t.Helper()
	s := open(t, path)
	_, err := s.Append(crew(idOf), crewRefused())
	require.NoError(t, err)
	compact(t, s, 6, nil)
	require.NoError(t, s.Decide([]byte(`{"by":"Åsa \"Ö\" Lindqvist"}`), [][]byte{[]byte(`{"text":"taken on by Åsa \"Ö\" Lindqvist."}`)},
		[]store.OutboxItem{{Queue: "mail", Key: "one", Body: []byte(`{"body":"K-7\nÅsa \"Ö\" Lindqvist cleaned it"}`)}}))
	return s
}

// What forgetting somebody leaves is what was there, but for the name.
func TestForget(t *testing.T) {
	path := dbPath(t)
	s := crewed(t, path, (*drift.Record).Identity)
	require.Error(t, holding(path, asa), "a name that is known is found by this")
	told := crew((*drift.Record).Identity)
	before := everything(t, s)
	digests, stats := must(s.Digests()), must(s.Stats())
	_, link, err := s.After("K-7", nil)
	require.NoError(t, err)

	_, err = s.Forget("Åsa Lindqvist")
	require.ErrorContains(t, err, "no record names")
	_, err = s.Forget("Jo Lunt")
	require.ErrorContains(t, err, `did you mean "Jo Lund"?`)

	pseudonym, err := s.Forget(asa)
	require.NoError(t, err)
	for range 2 {
		nameless(t, s, path, asa)
		after := everything(t, s)
		require.Len(t, after, len(before))
		for i := range before {
			want := before[i].WithPeople(func(name string) string {
				if name == asa {
					return pseudonym
				}
				return name
			})
			require.Equal(t, string(want.AppendCanonical(nil)), string(after[i].AppendCanonical(nil)), "the others keep their names")
		}
		require.Equal(t, digests, must(s.Digests()))
		is := must(s.Stats())
		is.Size = stats.Size
		require.Equal(t, stats, is)
		_, last, err := s.After("K-7", nil)
		require.NoError(t, err)
		require.Equal(t, link, last, "the chain is the one that it was")
		storetest.Invariants(t, s)
		report, err := s.Verify()
		require.NoError(t, err)
		require.Nil(t, report.First)
		decided, err := s.Decided()
		require.NoError(t, err)
		require.Equal(t, `{"by":"`+pseudonym+`"}`, string(decided))
		item, _, err := s.Oldest("mail")
		require.NoError(t, err)
		require.Equal(t, `{"body":"K-7\n`+pseudonym+` cleaned it"}`, string(item.Body))

		// Told again with the name or without it, by whichever version's ids, all of
		// it is there, and the name is not taken up again.
		old := crew((*drift.Record).NamedIdentity)
		for _, again := range [][]drift.Entry{told, after, old} {
			placed, err := s.Append(again, nil)
			require.NoError(t, err)
			for i := range placed {
				require.True(t, placed[i].Duplicate, "%d %s", i, again[i].AppendCanonical(nil))
			}
		}
		nameless(t, s, path, asa)

		backup := filepath.Join(t.TempDir(), "backup.db")
		require.NoError(t, s.BackupFile(backup))
		report, err = store.VerifyFile(backup)
		require.NoError(t, err)
		require.Nil(t, report.First)
		require.NoError(t, holding(backup, asa))

		require.NoError(t, s.Close())
		s = open(t, path)
		require.Empty(t, s.Diagnostics())
	}
	// A forgotten name that is told anew is a new person's.
	e := storetest.Calibration("K-7", 500)
	e.Operator = asa
	_, err = s.Append([]drift.Entry{e}, nil)
	require.NoError(t, err)
	again, err := s.Forget(asa)
	require.NoError(t, err)
	require.NotEqual(t, pseudonym, again)
}

// everything are the entries in order of taking.
func everything(t *testing.T, s storetest.Store) []drift.Entry {
	t.Helper()
	all, err := s.Since(0, 0, 0)
	require.NoError(t, err)
	return all
}

// A list of refusals knows what it has, also once a name is cut out of it.
func TestRefusedAreKnownWithoutTheName(t *testing.T) {
	van, hub := crewed(t, dbPath(t), (*drift.Record).Identity), crewed(t, dbPath(t), (*drift.Record).Identity)
	for _, s := range []*store.Store{van, hub} {
		_, err := s.Forget(asa)
		require.NoError(t, err)
	}
	require.Equal(t, must(van.RefusedDigest()), must(hub.RefusedDigest()))
	refused := must(van.Refusals("", 0))
	for i := range refused {
		refused[i].Forwarded = true
	}
	_, err := hub.Append(nil, refused)
	require.NoError(t, err)
	require.Equal(t, must(van.RefusedDigest()), must(hub.RefusedDigest()))
}

// A name is cut out where it is a word of its own, not out of longer ones.
func TestShortNames(t *testing.T) {
	path := dbPath(t)
	s := open(t, path)
	e := storetest.Calibration("K-7", 1)
	e.Operator = "Al"
	_, err := s.Append([]drift.Entry{e}, crewRefused()[:0])
	require.NoError(t, err)
	text := `{"a":"Also","b":"Al","c":"by\nAl.","d":"Val","e":"\u003cAl\u003e","f":"Al2"}`
	require.NoError(t, s.Decide([]byte(text), nil, nil))
	pseudonym, err := s.Forget("Al")
	require.NoError(t, err)
	want := `{"a":"Also","b":"Al","c":"by\nAl.","d":"Val","e":"\u003cAl\u003e","f":"Al2"}`
	for _, place := range []string{`"Al"`, `\nAl.`, `\u003cAl\u003e`} {
		want = strings.Replace(want, place, strings.Replace(place, "Al", pseudonym, 1), 1)
	}
	require.Equal(t, want, string(must(s.Decided())))
}

// telling is what is told of people.
func telling(people []store.Person) (out []wire.Person) {
	for _, p := range people {
		out = append(out, p.Person)
	}
	return out
}

// What a van tells its hub of people: names, whom it has forgotten, and that two
// stores mean the same person.
func TestLearn(t *testing.T) {
	vanPath, hubPath := dbPath(t), dbPath(t)
	van, hub := crewed(t, vanPath, (*drift.Record).Identity), crewed(t, hubPath, (*drift.Record).Identity)
	people, err := van.PeopleSince(0, 100)
	require.NoError(t, err)
	require.Len(t, people, 2)
	require.NoError(t, hub.Learn(telling(people)))
	hidden, err := van.SincePseudonymous(0, 0, 0)
	require.NoError(t, err)
	repeats := func() {
		t.Helper()
		placed, err := hub.Append(hidden, nil)
		require.NoError(t, err)
		for i := range placed {
			assert.True(t, placed[i].Duplicate, "%d", i)
		}
	}
	repeats()
	require.Equal(t, must(van.Digests()), must(hub.Digests()), "whatever pseudonyms they made")

	at := people[1].Change
	pseudonym, err := van.Forget(asa)
	require.NoError(t, err)
	people, err = van.PeopleSince(at, 100)
	require.NoError(t, err)
	require.Len(t, people, 1)
	require.Equal(t, pseudonym, people[0].Pseudonym)
	require.Empty(t, people[0].Name)
	for range 2 { // told again, it changes nothing
		require.NoError(t, hub.Learn(telling(people)))
		nameless(t, hub, hubPath, asa)
		repeats()
		require.Equal(t, must(van.Digests()), must(hub.Digests()))
	}
	require.NoError(t, hub.Learn([]wire.Person{{Pseudonym: pseudonym, Name: asa}}))
	nameless(t, hub, hubPath, asa)

	// A hub that is new hears first that there is nobody.
	fresh := open(t, dbPath(t))
	people, err = van.PeopleSince(0, 100)
	require.NoError(t, err)
	require.NoError(t, fresh.Learn(telling(people)))
	_, err = fresh.Append(hidden, nil)
	require.NoError(t, err)
	require.Len(t, everything(t, fresh), len(hidden), "conflicts that differ in the person too")
}

// A record that a hub has by the id that an earlier version gave it is known there
// as long as the name is.
func TestFormerIDs(t *testing.T) {
	van, hub := crewed(t, dbPath(t), (*drift.Record).Identity), crewed(t, dbPath(t), (*drift.Record).NamedIdentity)
	require.NoError(t, hub.Learn(telling(must(van.PeopleSince(0, 100)))))
	placed, err := hub.Append(must(van.SincePseudonymous(0, 0, 0)), nil)
	require.NoError(t, err)
	for i := range placed {
		assert.True(t, placed[i].Duplicate, "%d", i)
	}
}

// While a copy goes over a slow line, who is to be forgotten has to wait, and nobody else
// does. Before, everybody did: behind the exchange of the file, which waited for the copy.
func TestForgetDuringASlowCopy(t *testing.T) {
	s := crewed(t, dbPath(t), (*drift.Record).Identity)
	line, slow := io.Pipe()
	copied := make(chan error, 1)
	go func() { copied <- s.Backup(slow) }()
	_, err := io.ReadFull(line, make([]byte, 1)) // it has begun
	require.NoError(t, err)

	forgotten := make(chan error, 1)
	go func() {
		_, err := s.Forget(asa)
		forgotten <- err
	}()
	select {
	case err := <-forgotten:
		require.ErrorContains(t, err, "nobody was forgotten: a copy of the store is being written at this moment")
	case <-time.After(time.Minute):
		require.NoError(t, line.Close()) // the copy ends, and all that waits for it
		require.Fail(t, "it waits for the copy")
	}
	_, err = s.Append([]drift.Entry{storetest.Calibration("K-8", 1)}, nil)
	require.NoError(t, err)
	_, err = s.History("K-8")
	require.NoError(t, err)

	require.NoError(t, line.Close())
	require.Error(t, <-copied)
	_, err = s.Forget(asa)
	require.NoError(t, err)
}
