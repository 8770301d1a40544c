package store_test

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/drifttest"
)

// counts are a machine's arc counts as a device sends them, some with a
// calibration between, in order of taking.
func counts(machine string, n int) []drift.Entry {
	var out []drift.Entry
	for i := range n {
		e := storetest.Calibration(machine, 10*i)
		if i%6 != 0 {
			e.Type, e.Calibration, e.Extra = drift.TypeUsage, nil, []byte(`{"firmware":"2.1","uptime":3600}`)
		}
		e.ID = ""
		e.ID = e.Identity()
		e.Received = e.Time.Add(time.Second).UTC()
		out = append(out, e)
	}
	return out
}

// read is what a history says, what is not for the model left out.
func read(t testing.TB, s storetest.Store, machine string) []drift.Entry {
	t.Helper()
	h, err := s.History(machine)
	require.NoError(t, err)
	for i := range h {
		if h[i].Type == drift.TypeUsage {
			h[i].Operator, h[i].Extra = "", nil
		}
		if zone, offset := h[i].Time.Zone(); zone != "UTC" {
			h[i].Time = h[i].Time.In(time.FixedZone("", offset))
		}
	}
	return h
}

func compact(t testing.TB, s *store.Store, keep int, hub *store.Cursor) int {
	t.Helper()
	n, err := s.Compact(t.Context(), store.Compaction{Keep: keep, Hub: hub})
	require.NoError(t, err)
	report, err := s.Verify()
	require.NoError(t, err)
	require.Nil(t, report.First)
	stats, err := s.Stats()
	require.NoError(t, err)
	require.Equal(t, report.Compacted, stats.Compacted)
	return n
}

// Compaction leaves the history as the model reads it, the digests, and what is a
// repeat and what a conflict; it is done once, and it survives.
func TestCompact(t *testing.T) {
	path := dbPath(t)
	s := open(t, path)
	all := append(counts("K-07", 120), counts("K-08", 60)...)
	_, err := s.Append(all, nil)
	require.NoError(t, err)
	before, digests := read(t, s, "K-07"), must(s.Digests())

	require.Zero(t, compact(t, s, 100, nil), "there are no more")
	n := compact(t, s, 20, nil)
	require.Equal(t, 80+30, n, "of 100 and 50 counts all but the last 20")
	require.Zero(t, compact(t, s, 20, nil), "and once only")
	for range 2 {
		require.Equal(t, before, read(t, s, "K-07"))
		require.Equal(t, digests, must(s.Digests()))
		kept, err := s.Since(0, 0, 0)
		require.NoError(t, err)
		require.Len(t, kept, len(all)-n, "an export leaves out those of which something is gone")
		found, ok, err := s.Find(all[1].Machine, all[1].ID)
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, all[1].ArcCount, found.ArcCount)
		require.Empty(t, found.Extra)

		again := all[1]
		again.Received = again.Received.AddDate(0, 3, 0)
		placed, err := s.Append([]drift.Entry{again}, nil)
		require.NoError(t, err)
		require.Equal(t, uint64(2), placed[0].Seq)
		require.True(t, placed[0].Duplicate)
		require.NoError(t, s.Close())
		s = open(t, path)
		require.Empty(t, s.Diagnostics())
		storetest.Invariants(t, s)
	}
	other := all[2]
	other.ID = all[1].ID
	placed, err := s.Append([]drift.Entry{other}, nil)
	require.NoError(t, err)
	require.True(t, placed[0].Conflict, "the id of a compacted count is not free for another body")
	require.Equal(t, 2*15, compact(t, s, 5, nil), "the next ones")
	require.Equal(t, before, read(t, s, "K-07"))
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// Of compacted counts that were told without anything more, an export and a hub get
// what they would have got before, in whatever pages.
func TestCompactedCountsAreReadInOrder(t *testing.T) {
	s := open(t, dbPath(t))
	random := rand.New(rand.NewPCG(24, 1))
	all := append(counts("K-07", 300), append(counts("K-08", 200), counts("K-1", 90)...)...)
	random.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	for i := range all {
		all[i].Extra = nil
		all[i].ID = ""
		all[i].ID = all[i].Identity()
	}
	_, err := s.Append(all, nil)
	require.NoError(t, err)
	plain := func(entries []drift.Entry) string {
		var out []byte
		for i := range entries {
			out = append(wire.AppendEntry(out, &entries[i]), '\n')
		}
		return string(out)
	}
	before := plain(must(s.Since(0, 0, 0)))
	require.Greater(t, compact(t, s, 20, nil), 350)
	require.Equal(t, before, plain(must(s.Since(0, 0, 0))))
	for _, page := range []int{1, 7, 100, 1000} {
		var got []drift.Entry
		epoch, seq := uint64(0), uint64(0)
		for more := true; more; {
			next := must(s.Since(epoch, seq, page))
			if more = len(next) > 0; more {
				epoch, seq = next[len(next)-1].StoreEpoch, next[len(next)-1].StoreSeq
			}
			got = append(got, next...)
		}
		require.Equal(t, before, plain(got), "in pages of %d", page)
	}
}

// What has to stay whole does.
func TestNotCompacted(t *testing.T) {
	all := counts("K-07", 12)
	for name, c := range map[string]struct {
		change   func() []drift.Entry
		hub      *store.Cursor
		compacts int
	}{
		"arc counts":         {func() []drift.Entry { return all }, nil, 9},
		"not yet at the hub": {func() []drift.Entry { return all }, &store.Cursor{Epoch: 1, Seq: 6}, 4},
		"at no hub":          {func() []drift.Entry { return all }, &store.Cursor{}, 0},
		"wherever clocks are": {func() []drift.Entry {
			all[3].Time, all[4].Received = all[3].Time.AddDate(64, 0, 0), time.Date(1970, 1, 1, 0, 0, 1, 0, time.UTC)
			return all
		}, nil, 9},
		"with a conflict": {func() []drift.Entry {
			clash := all[4]
			clash.ID = all[3].ID
			return append(all, clash)
		}, nil, 8},
	} {
		t.Run(name, func(t *testing.T) {
			all = counts("K-07", 12)
			s := open(t, dbPath(t))
			_, err := s.Append(c.change(), nil)
			require.NoError(t, err)
			before := read(t, s, "K-07")
			require.Equal(t, c.compacts, compact(t, s, 0, c.hub))
			require.Equal(t, before, read(t, s, "K-07"))
		})
	}
}

// Whatever life a machine had, compaction it, in however many passes and with
// however much coming between, leaves what the model is told as it is.
func TestCompactionChangesNoAnswer(t *testing.T) {
	compacted := 0
	rapid.Check(t, func(rt *rapid.T) {
		whole, thinner := &storetest.Memory{}, open(t, dbPath(t))
		now := storetest.Received()
		for range rapid.IntRange(1, 3).Draw(rt, "passes") {
			life := drifttest.Lives(now).Draw(rt, "life")
			for _, s := range []storetest.Store{whole, thinner} {
				_, err := s.Append(life, nil)
				require.NoError(t, err)
			}
			now = now.AddDate(0, 0, rapid.IntRange(1, 30).Draw(rt, "days"))
			compacted += compact(t, thinner, rapid.IntRange(0, 9).Draw(rt, "keep"), nil)
			require.Equal(t, read(t, whole, "K-07"), read(t, thinner, "K-07"))
			require.Equal(t, toldModel(whole), toldModel(thinner))
		}
		require.NoError(t, thinner.Close())
	})
	require.Positive(t, compacted)
}

// toldModel is the history of K-07 in the order in which the model is told it.
func toldModel(s storetest.Store) string {
	h := must(s.History("K-07"))
	drift.Order(h)
	out := ""
	for _, e := range drift.Correct(h) {
		out += fmt.Sprintln(e.StoreSeq, e.Type, e.When().UTC(), e.ArcCount, e.Site, e.CorrectedBy)
	}
	return out
}

// TestTamperedBlockIsReported: what is left of compacted counts is proved by the
// chain, as whole records are.
func TestTamperedBlockIsReported(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	_, err = s.Append(counts("K-07", 24), nil)
	require.NoError(t, err)
	require.Equal(t, 19, compact(t, s, 0, nil))
	require.NoError(t, s.Close())
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	n := faulttest.Rounds(t, 20)
	for seed := range n {
		random := rand.New(rand.NewPCG(24, uint64(seed)))
		require.NoError(t, os.WriteFile(path, file, 0o600))
		edit(t, path, func(tx *bbolt.Tx) error {
			compacted := tx.Bucket([]byte("thinned"))
			k, v := compacted.Cursor().First()
			k, v = bytes.Clone(k), bytes.Clone(v)
			v[random.IntN(len(v)-4)] ^= 1 << random.IntN(8)
			return compacted.Put(k, resealed(k, v))
		})
		report, err := store.VerifyFile(path)
		require.NoError(t, err)
		require.NotNil(t, report.First, "seed %d", seed)
		require.Equal(t, "K-07", report.First.Machine)
	}
	faulttest.Bound(t, "bit of compacted counts changed and not named", n)
}

// Power that fails after compaction leaves a store that is as its checkpoint says,
// though the entry that the checkpoint went by was compacted.
func TestCompactedStoreMatchesItsCheckpoint(t *testing.T) {
	path := dbPath(t)
	s := open(t, path)
	all := counts("K-07", 60)
	take(t, s, all[:30]...) // the last is an arc count
	require.NoError(t, s.Close())
	s = open(t, path) // its checkpoint goes by that one
	take(t, s, all[30:]...)
	require.Equal(t, 49, compact(t, s, 0, nil))
	cut := dbPath(t)
	for _, end := range []string{"", ".witness"} {
		raw, err := os.ReadFile(path + end)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(cut+end, raw, 0o600))
	}
	require.Empty(t, open(t, cut).Diagnostics())
}

// A stop does not wait for compaction, and leaves nothing half done.
func TestCompactionEndsWithItsContext(t *testing.T) {
	s := open(t, dbPath(t))
	for n := range 20 {
		e := storetest.Calibration("K-07", 10*n)
		e.Type, e.Calibration = drift.TypeUsage, nil
		e.ID = ""
		e.ID = e.Identity()
		take(t, s, e)
	}
	ctx, end := context.WithCancel(t.Context())
	end()
	n, err := s.Compact(ctx, store.Compaction{})
	require.ErrorIs(t, err, context.Canceled)
	require.Zero(t, n)
	require.Equal(t, 19, compact(t, s, 0, nil))
}

// Compaction can wait for room: the reserve is there for alerts.
func TestCompactionLeavesTheReserve(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{MaxSize: 2 << 20, Reserve: 1 << 10})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	for n := 0; err == nil; n++ {
		e := storetest.Calibration("K-07", 10*n)
		if n%2 == 0 {
			e.Type, e.Calibration = drift.TypeUsage, nil
		}
		e.ID = ""
		e.ID = e.Identity()
		_, err = s.Append([]drift.Entry{e}, nil)
	}
	require.ErrorIs(t, err, store.ErrFull)
	_, err = s.Compact(t.Context(), store.Compaction{})
	require.ErrorIs(t, err, store.ErrFull)
	require.FileExists(t, path+".ballast")
}

// An arc count whose clock is centuries off stays whole: the time between it and
// its arrival is more than a block can hold (2⁶³ ns, 292 years).
func TestACountFromAnotherCenturyStaysWhole(t *testing.T) {
	s := open(t, dbPath(t))
	all := counts("K-07", 12)
	for i, year := range map[int]int{2: 1601, 3: 1700, 4: 2500} {
		all[i].Time = time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC)
		all[i].ID = ""
		all[i].ID = all[i].Identity()
	}
	take(t, s, all...)
	before := read(t, s, "K-07")
	require.Equal(t, 6, compact(t, s, 0, nil))
	require.Equal(t, before, read(t, s, "K-07"))
}

// A machine of which something is corrupt keeps all it has; the others are compacted.
func TestCompactionSkipsAMachineWithACorruptRecord(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	_, err = s.Append(append(counts("K-07", 24), counts("K-08", 24)...), nil)
	require.NoError(t, err)
	require.NoError(t, s.Close())
	edit(t, path, func(tx *bbolt.Tx) error {
		e := entriesOf(tx, "K-07")[5]
		e.value[len(e.value)/2] ^= 1
		return tx.Bucket([]byte("entries")).Put(e.key, e.value)
	})
	s = open(t, path)
	n, err := s.Compact(t.Context(), store.Compaction{})
	require.ErrorContains(t, err, "machine K-07")
	require.ErrorAs(t, err, new(*store.Damage))
	require.Equal(t, 19, n, "all but the last of K-08")
}
