package store_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
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

// read is what a history says, ids and what is not for the model left out.
func read(t testing.TB, s storetest.Store, machine string) []drift.Entry {
	t.Helper()
	h, err := s.History(machine)
	require.NoError(t, err)
	for i := range h {
		if h[i].Type == drift.TypeUsage {
			h[i].ID, h[i].Operator, h[i].Extra = "", "", nil
		}
		if zone, offset := h[i].Time.Zone(); zone != "UTC" {
			h[i].Time = h[i].Time.In(time.FixedZone("", offset))
		}
	}
	return h
}

func thin(t testing.TB, s *store.Store, before time.Time, hub *store.Cursor) int {
	t.Helper()
	n, err := s.Thin(store.Thinning{Before: before, Hub: hub})
	require.NoError(t, err)
	report, err := s.Verify()
	require.NoError(t, err)
	require.Nil(t, report.First)
	stats, err := s.Stats()
	require.NoError(t, err)
	require.Equal(t, report.Thinned, stats.Thinned)
	return n
}

// Thinning leaves the history as the model reads it, the digests, and what is a
// repeat and what a conflict; it is done once, and it survives.
func TestThin(t *testing.T) {
	path := dbPath(t)
	s := open(t, path)
	all := append(counts("K-07", 120), counts("K-08", 60)...)
	_, err := s.Append(all, nil)
	require.NoError(t, err)
	before, digests := read(t, s, "K-07"), must(s.Digests())
	old := all[100].Time

	require.Zero(t, thin(t, s, all[0].Time, nil), "nothing is old enough")
	n := thin(t, s, old, nil)
	require.Equal(t, 83+49, n, "of 100 and 60 counts those that are no calibrations, but not the last of K-08")
	require.Zero(t, thin(t, s, old, nil), "and once only")
	for range 2 {
		require.Equal(t, before, read(t, s, "K-07"))
		require.Equal(t, digests, must(s.Digests()))
		kept, err := s.Since(0, 0, 0)
		require.NoError(t, err)
		require.Len(t, kept, len(all)-n, "an export leaves them out")
		_, found, err := s.Find(all[1].ID)
		require.NoError(t, err)
		require.False(t, found)

		again, other := all[1], all[2]
		again.Received = again.Received.AddDate(0, 3, 0)
		other.ID = all[1].ID
		placed, err := s.Append([]drift.Entry{again}, nil)
		require.NoError(t, err)
		require.Equal(t, uint64(2), placed[0].Seq)
		require.True(t, placed[0].Duplicate)
		require.NoError(t, s.Close())
		s = open(t, path)
		require.Empty(t, s.Findings())
		storetest.Invariants(t, s)
	}
	other := all[2]
	other.ID = all[1].ID
	placed, err := s.Append([]drift.Entry{other}, nil)
	require.NoError(t, err)
	require.True(t, placed[0].Conflict, "the id of a thinned count is not free for another body")
	require.Equal(t, 11, thin(t, s, all[113].Time, nil), "the next days")
	require.Equal(t, before, read(t, s, "K-07"))
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

// What has to stay whole does.
func TestNotThinned(t *testing.T) {
	all := counts("K-07", 12)
	now := all[11].Time.AddDate(1, 0, 0)
	for name, c := range map[string]struct {
		change func() []drift.Entry
		hub    *store.Cursor
		thins  int
	}{
		"arc counts":          {func() []drift.Entry { return all }, nil, 9},
		"not yet at the hub":  {func() []drift.Entry { return all }, &store.Cursor{Epoch: 1, Seq: 6}, 4},
		"at no hub":           {func() []drift.Entry { return all }, &store.Cursor{}, 0},
		"of the same moment":  {func() []drift.Entry { all[2].Time = all[3].Time; return all }, nil, 7},
		"lately arrived":      {func() []drift.Entry { all[3].Received = now; return all }, nil, 8},
		"with a time to come": {func() []drift.Entry { all[3].Time = now; return all }, nil, 8},
		"corrected": {func() []drift.Entry {
			fix := drift.Entry{Record: drift.Record{Type: drift.TypeCorrection, ID: "fix", Machine: "K-07", Time: all[11].Time.Add(time.Hour),
				Correction: &drift.Correction{Corrects: all[3].ID, Reason: "misread", Changes: []drift.Change{{Field: "arc_count", Value: int64(31)}}}}, Received: all[11].Received}
			return append(all, fix)
		}, nil, 9}, // the last is none of them now
		"with a conflict": {func() []drift.Entry {
			clash := all[4]
			clash.ID = all[3].ID
			return append(all, clash)
		}, nil, 8},
		"numbered": {func() []drift.Entry {
			for i := range all {
				all[i].Source, all[i].Seq = "van-3", drift.Some(int64(i))
			}
			return all
		}, nil, 9},
		"numbered, with a clock astray": {func() []drift.Entry {
			for i := range all {
				all[i].Source, all[i].Seq = "van-3", drift.Some(int64(i))
			}
			all[7].Time = all[7].Time.AddDate(-1, 0, 0)
			return all
		}, nil, 0},
	} {
		t.Run(name, func(t *testing.T) {
			all = counts("K-07", 12)
			s := open(t, dbPath(t))
			_, err := s.Append(c.change(), nil)
			require.NoError(t, err)
			before := read(t, s, "K-07")
			require.Equal(t, c.thins, thin(t, s, now, c.hub))
			require.Equal(t, before, read(t, s, "K-07"))
		})
	}
}

// Whatever life a machine had, thinning it, in however many passes and with
// however much coming between, leaves what the model is told as it is.
func TestThinningTellsTheModelTheSame(t *testing.T) {
	thinned := 0
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
			thinned += thin(t, thinner, now, nil)
			require.Equal(t, read(t, whole, "K-07"), read(t, thinner, "K-07"))
			require.Equal(t, toldModel(whole), toldModel(thinner))
		}
		require.NoError(t, thinner.Close())
	})
	require.Positive(t, thinned)
}

// toldModel is the history of K-07 in the order in which the model is told it.
func toldModel(s storetest.Store) string {
	h := must(s.History("K-07"))
	drift.Order(h)
	out := ""
	for _, e := range drift.Correct(h) {
		out += fmt.Sprintln(e.StoreSeq, e.Type, e.When().UTC(), e.ArcCount, e.Site)
	}
	return out
}

// TestTamperedBlockIsNamed: what is left of thinned counts is proved by the
// chain, as whole records are.
func TestTamperedBlockIsNamed(t *testing.T) {
	n := 0
	for at := 1; ; at++ {
		path := dbPath(t)
		s := open(t, path)
		all := counts("K-07", 24)
		_, err := s.Append(all, nil)
		require.NoError(t, err)
		require.Equal(t, 19, thin(t, s, all[23].Time.AddDate(1, 0, 0), nil))
		require.NoError(t, s.Close())
		var key []byte
		edit(t, path, func(tx *bbolt.Tx) error {
			k, v := tx.Bucket([]byte("thinned")).Cursor().First()
			key = k
			if at >= len(v)-4 {
				key = nil
				return nil
			}
			v = append([]byte(nil), v...)
			v[at] ^= 1
			return tx.Bucket([]byte("thinned")).Put(k, resealed(k, v))
		})
		if key == nil {
			break
		}
		report, err := store.VerifyFile(path)
		require.NoError(t, err)
		require.NotNil(t, report.First, "byte %d", at)
		require.Equal(t, "K-07", report.First.Machine)
		n++
	}
	logBound(t, "byte of thinned counts edited and not named", n)
}
