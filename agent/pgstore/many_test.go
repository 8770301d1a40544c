package pgstore_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store/storetest"
)

// What is read of many machines at once is what is read of each, from any link on.
// Machines with a corrupt record are left out.
func TestStretches(t *testing.T) {
	database := server.Database(t, "template1")
	s, err := pgstore.Open(t.Context(), server.URL(database), storetest.Received, pgstore.Options{Slots: 1})
	require.NoError(t, err)
	defer s.Close()
	filled(t, s)
	machines := []string{"K-1", "K-2", "K-3", "K-4"}
	all := map[string][]byte{}   // from the beginning
	later := map[string][]byte{} // after what has come so far
	wrong := map[string][]byte{} // links that a machine does not have
	for _, name := range machines {
		_, link, err := s.After(name, nil)
		require.NoError(t, err)
		all[name], later[name], wrong[name] = nil, link, []byte("a link of sixteen bytes and more")
	}
	for n := range 3 {
		_, err := s.Append(call(n, 8, 4), nil)
		require.NoError(t, err)
		_, err = s.Append(append(call(0, 1, 1), usage("K-1", 40+n), usage("K-4", n)), nil)
		require.NoError(t, err)
	}
	for _, links := range []map[string][]byte{all, later, wrong} {
		got, err := s.Table().Stretches(t.Context(), 0, links)
		require.NoError(t, err)
		require.Len(t, got, len(machines))
		for name, link := range links {
			entries, last, err := s.After(name, link)
			require.NoError(t, err)
			assert.Equal(t, entries, got[name].Entries, name)
			assert.Equal(t, last, got[name].Link, name)
		}
	}
	got, err := s.Table().Stretches(t.Context(), 0, all)
	require.NoError(t, err)
	require.Len(t, got["K-3"].Entries, 1)
	assert.Equal(t, "Ada Ruiz", got["K-3"].Entries[0].Operator)
	assert.Len(t, got["K-4"].Entries, 3)

	require.NoError(t, server.Do(t.Context(), database, `update entries set value = set_byte(value, 60, get_byte(value, 60) # 1)
		where machine = 'K-1' and seq = (select max(seq) from entries where machine = 'K-1' and generation is null)`))
	got, err = s.Table().Stretches(t.Context(), 0, all)
	require.NoError(t, err)
	assert.NotContains(t, got, "K-1")
	assert.Len(t, got, len(machines)-1)
}

// Of many values those come that are there.
func TestValues(t *testing.T) {
	s := open(t, url(t))
	require.NoError(t, s.PutCached(map[string][]byte{"K-1": []byte("a state"), "": []byte("populations")}))
	got, err := s.Table().Values(t.Context(), s.Slot("K-1"), []string{"K-1", "K-2", ""})
	require.NoError(t, err)
	assert.Equal(t, map[string][]byte{"K-1": []byte("a state")}, got)
}
