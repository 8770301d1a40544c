package forward

import (
	"bytes"
	"net/http"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// by is a record of somebody's.
func by(name string, n int) drift.Entry {
	e := storetest.Calibration("K-07", n)
	e.Operator = name
	return e
}

// operators are who did what, as a store shows it.
func operators(t *testing.T, s *store.Store) (out []string) {
	t.Helper()
	all, err := s.Since(0, 0, 0)
	require.NoError(t, err)
	for _, e := range all {
		out = append(out, e.Operator)
	}
	return out
}

// holds says whether a store's file holds the name.
func holds(t *testing.T, path, name string) bool {
	t.Helper()
	raw, err := os.ReadFile(path)
	require.NoError(t, err)
	return bytes.Contains(raw, []byte(name))
}

// Whom a van has forgotten its hub forgets, when it is reached again, also if it is
// put back to a day on which it knew the name.
func TestForgettingReachesTheHub(t *testing.T) {
	db := filepath.Join(t.TempDir(), "hub.db")
	van, hub := newStore(t), newAgent(t, db)
	_, err := hub.store.Append([]drift.Entry{by("Ada Ruiz", 1), by("Jo Lund", 2)}, nil) // the hub had them from the machine itself
	require.NoError(t, err)
	_, err = van.Append([]drift.Entry{by("Ada Ruiz", 1), by("Jo Lund", 2), by("Ada Ruiz", 3)}, nil)
	require.NoError(t, err)
	way := &detour{to: hub.url}
	f := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
	defer f.hub.close()
	require.Zero(t, catchUp(t, f, 1))
	equal(t, van, hub.store)
	require.Equal(t, []string{"Ada Ruiz", "Jo Lund", "Ada Ruiz"}, operators(t, hub.store))
	old := filepath.Join(t.TempDir(), "old.db")
	require.NoError(t, hub.store.BackupFile(old))
	hub.stop()

	_, err = van.Forget("Ada Ruiz")
	require.NoError(t, err)
	for _, again := range []bool{false, true} {
		if again {
			hub.stop()
			backup, err := os.Open(old)
			require.NoError(t, err)
			_, err = store.Restore(backup, db, clock())
			require.NoError(t, err)
			require.NoError(t, backup.Close())
			require.True(t, holds(t, db, "Ada Ruiz"))
		}
		hub = newAgent(t, db)
		way.to = hub.url
		f.looked = false // as after a while
		catchUp(t, f, 1)
		require.False(t, holds(t, db, "Ada Ruiz"))
		shown := operators(t, hub.store)
		assert.Equal(t, "Jo Lund", shown[1])
		assert.True(t, drift.IsPseudonym(shown[0]))
		assert.Equal(t, shown[0], shown[2], "one person, though the van and the hub made a pseudonym each")
		equal(t, van, hub.store)
	}

	// Whom the hub has forgotten does not come back by a van that still knows them.
	_, err = hub.store.Forget("Jo Lund")
	require.NoError(t, err)
	_, err = van.Append([]drift.Entry{by("Jo Lund", 4)}, nil)
	require.NoError(t, err)
	catchUp(t, f, 1)
	require.False(t, holds(t, db, "Jo Lund"))
	assert.Len(t, operators(t, hub.store), 4)
	equal(t, van, hub.store)
}

// earlier is the way to a hub that does not know of people.
type earlier struct {
	*detour
	now   bool // it does
	asked int
}

func (e *earlier) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.URL.Path == "/api/v1/people" && !e.now {
		e.asked++
		return &http.Response{StatusCode: http.StatusNotFound, Status: "404 Not Found", Body: http.NoBody, Header: http.Header{}}, nil
	}
	return e.detour.RoundTrip(r)
}

// A hub of an earlier version gets the records with pseudonyms, and the names once it
// asks for them.
func TestHubWithoutPeople(t *testing.T) {
	van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
	_, err := van.Append([]drift.Entry{by("Ada Ruiz", 1), by("Jo Lund", 2)}, nil)
	require.NoError(t, err)
	way := &earlier{detour: &detour{to: hub.url}}
	f := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
	defer f.hub.close()
	catchUp(t, f, 1)
	for range 5 {
		more, err := f.step(t.Context())
		require.NoError(t, err)
		require.False(t, more)
	}
	assert.Equal(t, 1, way.asked, "it is not asked all the time")
	for _, shown := range operators(t, hub.store) {
		assert.True(t, drift.IsPseudonym(shown))
	}
	equal(t, van, hub.store)
	way.now, f.looked = true, false
	catchUp(t, f, 1)
	assert.Equal(t, []string{"Ada Ruiz", "Jo Lund"}, operators(t, hub.store))
}
