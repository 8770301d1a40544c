package pgstore_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func file(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(filepath.Join(t.TempDir(), "arcdrift.db"), storetest.Received, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// A file and a database that took the same have the same digests.
func TestDigestsAreThoseOfAFile(t *testing.T) {
	s, f := open(t, url(t)), file(t)
	filled(t, s)
	filled(t, f)
	assert.Equal(t, must(f.Digests()), must(s.Digests()))
	assert.Equal(t, must(f.RefusedDigest()), must(s.RefusedDigest()))
	assert.Equal(t, must(f.RefusalCounts()), must(s.RefusalCounts()))
}

// What a file kept is there after it was adopted: answers, numbers, chains, what counts
// as a repeat, decisions, and compacted arc counts.
func TestAFileIsAdopted(t *testing.T) {
	f := file(t)
	filled(t, f)
	require.NoError(t, f.Learn(nil))
	require.NoError(t, f.Decide([]byte("state"), [][]byte{[]byte("one"), []byte("two")}, []store.OutboxItem{
		{Queue: "mail", Key: "a", Body: []byte("A")}, {Queue: "mail", Key: "b", Body: []byte("B")}, {Queue: "mqtt", Key: "c", Body: []byte("C")}}))
	require.NoError(t, f.Settle("a"))
	require.NoError(t, f.SetCursor("https://hub.example", store.Cursor{Epoch: 1, Seq: 3, Refusal: 1}))
	compacted, err := f.Compact(t.Context(), store.Compaction{Keep: 2})
	require.NoError(t, err)
	require.NotZero(t, compacted)

	s := open(t, url(t))
	n, err := s.Adopt(t.Context(), f)
	require.NoError(t, err)
	assert.EqualValues(t, 21, n)
	for _, machine := range append(must(f.Machines()), "") {
		assert.Equal(t, must(f.History(machine)), must(s.History(machine)), machine)
		was, there, err := f.HeadAt(machine, storetest.Received().Add(time.Hour))
		require.NoError(t, err)
		is, found, err := s.HeadAt(machine, storetest.Received().Add(time.Hour))
		require.NoError(t, err)
		assert.Equal(t, there, found)
		assert.Equal(t, was, is, "the chain goes on")
		_, link, err := f.After(machine, nil)
		require.NoError(t, err)
		_, same, err := s.After(machine, link)
		require.NoError(t, err)
		assert.Equal(t, link, same, "what was cached of a machine still fits")
	}
	assert.Equal(t, must(f.Since(0, 0, 0)), must(s.Since(0, 0, 0)))
	assert.Equal(t, must(f.Conflicts()), must(s.Conflicts()))
	assert.Equal(t, must(f.Setups()), must(s.Setups()))
	assert.Equal(t, must(f.Refusals("", 0)), must(s.Refusals("", 0)))
	assert.Equal(t, must(f.RefusalCounts()), must(s.RefusalCounts()))
	assert.Equal(t, must(f.Pseudonyms()), must(s.Pseudonyms()))
	assert.Equal(t, must(f.Counters()), must(s.Counters()))
	assert.Equal(t, f.Name(), s.Name())
	assert.Equal(t, "state", string(must(s.Decided())))
	assert.Equal(t, must(f.Outcomes()), must(s.Outcomes()))
	assert.Equal(t, must(f.Cursor("https://hub.example")), must(s.Cursor("https://hub.example")))
	sound(t, s)

	require.NoError(t, s.Decide([]byte("state"), nil, []store.OutboxItem{{Queue: "mail", Key: "a", Body: []byte("A")}}))
	assert.Equal(t, 1, must(s.Waiting("mail")), "what was sent is not sent again")
	again := must(s.Append([]drift.Entry{storetest.Calibration("K-1", 3), usage("K-2", 0), storetest.Calibration("K-1", 500)}, nil))
	assert.True(t, again[0].Duplicate && again[1].Duplicate, "a repeat of a compacted record too")
	assert.Greater(t, again[2].Epoch, must(f.Stats()).Epoch)
	sound(t, s)

	_, err = s.Adopt(t.Context(), f)
	require.ErrorIs(t, err, pgstore.ErrNotEmpty)
}

// A file that cannot be adopted whole is not adopted, and the database says so.
func TestHalfAFileIsNoStore(t *testing.T) {
	at := server.Database(t, template)
	s := open(t, server.URL(at))
	f := file(t)
	filled(t, f)
	require.NoError(t, server.Do(t.Context(), at, `drop table cursors`))
	require.NoError(t, f.SetCursor("https://hub.example", store.Cursor{Epoch: 1}))
	_, err := s.Adopt(t.Context(), f)
	require.Error(t, err)
	_, err = pgstore.Open(t.Context(), server.URL(at), time.Now, pgstore.Options{})
	require.ErrorContains(t, err, "adopt the file again")

	require.NoError(t, server.Do(t.Context(), at, `create table cursors (name text collate "C" primary key, epoch bigint not null, seq bigint not null, refusal bigint not null, people bigint not null)`))
	again, err := pgstore.Open(t.Context(), server.URL(at), time.Now, pgstore.Options{Adopting: true})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, again.Close()) })
	n, err := again.Adopt(t.Context(), f)
	require.NoError(t, err)
	assert.EqualValues(t, 21, n)
	sound(t, again)
	require.NoError(t, open(t, server.URL(at)).Ready(t.Context()))
}

// The way back to a file keeps what can be kept.
func TestTheWayBack(t *testing.T) {
	s, f := open(t, url(t)), file(t)
	filled(t, s)
	require.NoError(t, s.Decide([]byte("state"), [][]byte{[]byte("one")}, []store.OutboxItem{{Queue: "mail", Key: "a", Body: []byte("A")}}))
	n, left, err := s.MoveBack(t.Context(), f)
	require.NoError(t, err)
	assert.EqualValues(t, 21, n)
	assert.Zero(t, left)
	assert.Equal(t, must(s.Digests()), must(f.Digests()))
	assert.Equal(t, must(s.RefusedDigest()), must(f.RefusedDigest()))
	assert.Equal(t, must(s.Pseudonyms()), must(f.Pseudonyms()))
	assert.Equal(t, must(s.Decided()), must(f.Decided()))
	assert.Equal(t, must(s.Outcomes()), must(f.Outcomes()))
	assert.Equal(t, 1, must(f.Waiting("mail")))
	report, err := f.Verify()
	require.NoError(t, err)
	assert.Nil(t, report.First)
	_, _, err = s.MoveBack(t.Context(), f)
	require.ErrorIs(t, err, pgstore.ErrNotEmpty)
}
