package pgstore_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/share"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/agent/wire"
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

// moved is all that a store keeps, but for its size.
func moved(t *testing.T, s storetest.Store) map[string]any {
	t.Helper()
	out := map[string]any{}
	for _, machine := range append(must(s.Machines()), "") {
		out["history of "+machine] = must(s.History(machine))
		head, found, err := s.HeadAt(machine, storetest.Received().Add(time.Hour))
		require.NoError(t, err)
		out["chain of "+machine] = []any{head, found}
		_, link, err := s.After(machine, nil)
		require.NoError(t, err)
		out["link of "+machine] = link
	}
	stats := must(s.Stats())
	stats.Size, stats.Limit, stats.Epoch = 0, 0, 0 // an epoch belongs to a process
	out["stats"] = stats
	out["digests"], out["refused"] = must(s.Digests()), must(s.RefusedDigest())
	out["order"], out["conflicts"], out["setups"] = must(s.Since(0, 0, 0)), must(s.Conflicts()), must(s.Setups())
	out["refusals"], out["refusal changes"], out["refusal counts"] = must(s.Refusals("", 0)), must(s.RefusalsSince(0, 1000)), must(s.RefusalCounts())
	out["people"], out["names"] = must(s.PeopleSince(0, 1000)), must(s.Pseudonyms())
	out["counters"] = must(s.Counters())
	out["decisions"], out["outcomes"] = string(must(s.Decided())), fmt.Sprintf("%s", must(s.Outcomes()))
	for _, queue := range []string{"mail", "mqtt"} {
		item, found, err := s.Oldest(queue)
		require.NoError(t, err)
		out["oldest of "+queue] = []any{item, found, must(s.Waiting(queue))}
	}
	out["cursor"], out["name"] = must(s.Cursor("https://hub.example")), s.Name()
	return out
}

func sameMoved(t *testing.T, from, to storetest.Store) {
	t.Helper()
	was, is := moved(t, from), moved(t, to)
	for what := range was {
		assert.Equal(t, was[what], is[what], what)
	}
	assert.Len(t, is, len(was))
}

// There and back and there again: a store that was filled in several processes, with arc
// counts compacted here and there, is the same in the database, in a file, and in another
// database. It goes on everywhere.
func TestThereAndBackAndThereAgain(t *testing.T) {
	f := file(t)
	filled(t, f)
	require.NoError(t, f.Learn([]wire.Person{{Pseudonym: "person-aaaaaaaaaaaaaaaa", Name: "Bea Lund"}, {Pseudonym: "person-bbbbbbbbbbbbbbbb", Name: "Bea Lund"}, {Pseudonym: "person-cccccccccccccccc"}}))
	must(f.Compact(t.Context(), store.Compaction{Keep: 2}))
	at := url(t)
	s := open(t, at)
	must(s.Adopt(t.Context(), f))
	sameMoved(t, f, s)

	for n := range 5 { // some as another process
		one := s
		if n%2 == 0 {
			one = open(t, at)
		}
		must(one.Append([]drift.Entry{usage("K-2", 200+n), storetest.Calibration("K-4", n), storetest.Calibration("K-1", 200+n)}, []drift.Refusal{
			{Machine: "K-4", Raw: []byte{byte(n)}, Size: 1, Times: 1, Time: storetest.Received(), Last: storetest.Received(), Problem: drift.Problem{Field: "x", Reason: "odd"}}}))
	}
	_, err := s.Forget("Bea Lund")
	require.NoError(t, err)
	must(s.OpenGeneration(t.Context()))
	must(s.Append([]drift.Entry{usage("K-2", 300)}, nil))
	require.NotZero(t, must(s.Drop(t.Context(), 1, 1)))
	require.NoError(t, s.Decide([]byte("state"), [][]byte{[]byte("one")}, []store.OutboxItem{{Queue: "mail", Key: "a", Body: []byte("A")}, {Queue: "mail", Key: "b", Body: []byte("B")}, {Queue: "mqtt", Key: "c", Body: []byte("C")}}))
	require.NoError(t, s.Settle("a"))
	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{Epoch: 2, Seq: 900, Refusal: 2, People: 3}))
	sound(t, s)

	path := filepath.Join(t.TempDir(), "back.db")
	n, err := s.MoveOut(t.Context(), path)
	require.NoError(t, err)
	assert.EqualValues(t, must(s.Stats()).Entries, n)
	back, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, back.Close()) }()
	assert.Empty(t, back.Diagnostics(), "nothing is unusual about it")
	sameMoved(t, s, back)
	goesOn(t, back)

	again := open(t, url(t))
	must(again.Adopt(t.Context(), back))
	sameMoved(t, back, again)
	goesOn(t, again)
}

// goesOn: repeats are known, what was sent is not sent again, and new entries follow.
func goesOn(t *testing.T, s storetest.Store) {
	t.Helper()
	before := must(s.Stats())
	placed := must(s.Append([]drift.Entry{storetest.Calibration("K-1", 3), usage("K-2", 0), usage("K-2", 201), storetest.Calibration("K-4", 900)}, nil))
	if placed[3].Duplicate { // in the second round
		placed = append(placed[:3], must(s.Append([]drift.Entry{storetest.Calibration("K-4", 901)}, nil))...)
	}
	assert.True(t, placed[0].Duplicate && placed[1].Duplicate && placed[2].Duplicate)
	assert.False(t, placed[3].Duplicate)
	assert.GreaterOrEqual(t, placed[3].Epoch, before.Epoch)
	assert.Greater(t, placed[3].Seq, before.Seq)
	require.NoError(t, s.Decide([]byte("state"), nil, []store.OutboxItem{{Queue: "mail", Key: "a", Body: []byte("A")}}))
	assert.Equal(t, 1, must(s.Waiting("mail")))
	report, err := s.(interface{ Verify() (store.Report, error) }).Verify()
	require.NoError(t, err)
	require.Nil(t, report.First)
	storetest.Invariants(t, s)
}

// What cannot be moved out whole leaves no file, and what an earlier try left does not
// matter.
func TestHalfAWayBackIsNoFile(t *testing.T) {
	at := server.Database(t, template)
	s := open(t, server.URL(at))
	filled(t, s)
	path := filepath.Join(t.TempDir(), "back.db")
	none := func(meaning string) {
		t.Helper()
		_, err := s.MoveOut(t.Context(), path)
		require.ErrorContains(t, err, meaning)
		left, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*"))
		require.NoError(t, err)
		require.Empty(t, left)
	}
	table := s.Table()
	_, err := table.Renew(t.Context(), share.Renewal{Process: "a", For: time.Hour})
	require.NoError(t, err)
	none("end them first")
	_, err = table.Renew(t.Context(), share.Renewal{Process: "a"})
	require.NoError(t, err)
	require.NoError(t, server.Do(t.Context(), at, `create table gone as select * from entries where machine = 'K-1' order by seq desc limit 1; delete from entries where seq = (select seq from gone)`))
	none("stored as the last")
	require.NoError(t, server.Do(t.Context(), at, `insert into entries select * from gone`))

	require.NoError(t, os.WriteFile(path+".arriving", []byte("half"), 0o600))
	must(s.MoveOut(t.Context(), path))
	_, err = s.MoveOut(t.Context(), path)
	require.ErrorContains(t, err, "is there already")
}
