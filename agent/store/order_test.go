package store_test

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// arrivals are some records of two machines as senders without ids send them,
// each up to five times, shuffled; some come from a numbered source, some a
// month late.
func arrivals(t *rapid.T) (set, sent []intake.Submission) {
	n := rapid.IntRange(1, 25).Draw(t, "records")
	for i := range n {
		o := offerOf(i)
		o.Record.Machine = rapid.SampledFrom([]string{"K-1", "K-10"}).Draw(t, "machine")
		o.Record.Time = o.Record.Time.Add(-time.Duration(rapid.IntRange(0, 30).Draw(t, "late")) * 24 * time.Hour)
		if rapid.Bool().Draw(t, "numbered") {
			o.Record.Source, o.Record.Seq = "van-3", drift.Some(int64(i))
		}
		set = append(set, o)
		for range rapid.IntRange(1, 5).Draw(t, "times") {
			sent = append(sent, o)
		}
	}
	return set, rapid.Permutation(sent).Draw(t, "order")
}

// told is what the model is told of every machine after these arrivals.
func told(t testing.TB, s storetest.Store, sent []intake.Submission) string {
	d := doorTo(t, s)
	for chunk := range slices.Chunk(sent, 7) {
		_, err := d.Take(t.Context(), chunk)
		require.NoError(t, err)
	}
	out := ""
	for _, m := range []string{"K-1", "K-10"} {
		h, err := s.History(m)
		require.NoError(t, err)
		drift.Order(h)
		for i := range h {
			out += string(h[i].AppendCanonical(nil)) + "\n"
		}
	}
	return out
}

// unchangedByOrder says whether a set of records, repeated and shuffled, reads
// as the set sent once.
func unchangedByOrder(t *testing.T, set, sent []intake.Submission, open func() storetest.Store) error {
	once, shuffled := told(t, open(), set), told(t, open(), sent)
	if once != shuffled {
		return errors.New("the order of arrival, or a repeat, changed what the model is told")
	}
	return nil
}

func TestOrderOfArrivalAndRepeatsChangeNothing(t *testing.T) {
	for name, c := range map[string]struct {
		fresh func(t *testing.T) storetest.Store
		times int
	}{
		"memory": {func(*testing.T) storetest.Store { return &storetest.Memory{} }, 9},
		"bbolt":  {func(t *testing.T) storetest.Store { return open(t, dbPath(t)) }, 1},
	} {
		t.Run(name, func(t *testing.T) {
			n := 0
			for range faulttest.Rounds(t, c.times) {
				rapid.Check(t, func(rt *rapid.T) {
					set, sent := arrivals(rt)
					t.Run("", func(t *testing.T) {
						require.NoError(t, unchangedByOrder(t, set, sent, func() storetest.Store { return c.fresh(t) }))
					})
					n++
				})
			}
			faulttest.Bound(t, "shuffled and repeated arrivals that read differently", n)
		})
	}
}

// forgetful is a store that takes every arrival for a new one.
type forgetful struct {
	storetest.Memory
	n int
}

func (f *forgetful) Append(entries []drift.Entry, r []drift.Refusal) ([]drift.Placement, error) {
	entries = slices.Clone(entries)
	for i := range entries {
		f.n++
		entries[i].ID = fmt.Sprint(f.n)
	}
	return f.Memory.Append(entries, r)
}

// TestOrderControl: without ids the same check must fail.
func TestOrderControl(t *testing.T) {
	set := []intake.Submission{offerOf(1), offerOf(1001)}
	for i := range set {
		set[i].Record.Machine = "K-1"
	}
	sent := []intake.Submission{set[1], set[0], set[1]}
	require.NoError(t, unchangedByOrder(t, set, sent, func() storetest.Store { return &storetest.Memory{} }))
	require.Error(t, unchangedByOrder(t, set, sent, func() storetest.Store { return &forgetful{} }))
}

// TestTheClockDecidesNothing: the agent's clock jumps between records and
// between starts; order of taking, repeats and epochs do not care, and nothing
// odd is found.
func TestTheClockDecidesNothing(t *testing.T) {
	n := 0
	for range faulttest.Rounds(t, 1) {
		rapid.Check(t, func(rt *rapid.T) {
			clockJumps(t, rt)
			n++
		})
	}
	faulttest.Bound(t, "life with a jumping clock that changed an order, a repeat or an epoch", n)
}

// byArrival is how a store would read that went by the clock.
func byArrival(h []drift.Entry) []drift.Entry {
	h = slices.Clone(h)
	slices.SortStableFunc(h, func(a, b drift.Entry) int { return a.Received.Compare(b.Received) })
	return h
}

func inOrderOfTaking(h []drift.Entry) bool {
	return slices.IsSortedFunc(h, func(a, b drift.Entry) int { return int(a.StoreSeq) - int(b.StoreSeq) })
}

// TestClockControl: read by the clock, the same would not be in order.
func TestClockControl(t *testing.T) {
	s := open(t, dbPath(t))
	for n, at := range []time.Time{storetest.Received(), time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)} {
		e := storetest.Calibration("K-07", n)
		e.Received = at
		_, err := s.Append([]drift.Entry{e}, nil)
		require.NoError(t, err)
	}
	h := must(s.History("K-07"))
	require.True(t, inOrderOfTaking(h))
	require.False(t, inOrderOfTaking(byArrival(h)))
}

func clockJumps(t *testing.T, rt *rapid.T) {
	jumps := []time.Duration{time.Second, -time.Second, time.Hour, -time.Hour, 0}
	now := storetest.Received()
	clock := func() time.Time { return now }
	path := dbPath(t)
	var epoch, seq uint64
	taken := 0
	for start := range rapid.IntRange(2, 4).Draw(rt, "starts") {
		s, err := store.Open(path, clock, store.Options{})
		require.NoError(t, err)
		require.Empty(t, s.Diagnostics())
		for range rapid.IntRange(1, 6).Draw(rt, "records") {
			switch j := rapid.IntRange(0, len(jumps)+1).Draw(rt, "jump"); j {
			case len(jumps):
				now = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
			case len(jumps) + 1:
				now = time.Date(2090, 1, 1, 0, 0, 0, 0, time.UTC)
			default:
				now = now.Add(jumps[j])
			}
			e := storetest.Calibration("K-07", taken)
			e.Received = now
			placed, err := s.Append([]drift.Entry{e, e}, nil)
			require.NoError(t, err)
			require.True(t, placed[1].Duplicate)
			require.Greater(t, placed[0].Seq, seq)
			require.GreaterOrEqual(t, placed[0].Epoch, epoch)
			require.EqualValues(t, start+1, placed[0].Epoch)
			epoch, seq = placed[0].Epoch, placed[0].Seq
			taken++
		}
		h, err := s.History("K-07")
		require.NoError(t, err)
		require.Len(t, h, taken)
		require.True(t, inOrderOfTaking(h))
		require.True(t, h[len(h)-1].Received.Equal(now), "arrival is told as the clock said")
		require.NoError(t, s.Close())
	}
}

// TestAClonedDevice: two machines that number their records alike and tell
// different things are both kept, and it shows.
func TestAClonedDevice(t *testing.T) {
	n := faulttest.Rounds(t, 5)
	for seed := range n {
		s := open(t, dbPath(t))
		require.NoError(t, cloned(t, s, seed))
		storetest.Invariants(t, s)
	}
	faulttest.Bound(t, "cloned device of which something was lost or taken for a repeat", n)
}

// cloned sends the records of two such devices, each twice, and says what is
// wrong with what is kept.
func cloned(t *testing.T, s storetest.Store, seed int) error {
	d := doorTo(t, s)
	for n := range 10 {
		for device := range 2 {
			o := offerOf(n)
			o.Record.ID = fmt.Sprintf("van-3/%d", n)
			o.Record.Calibration.Temperature = drift.Some(float64(10 + device*(1+seed%20)))
			for again := range 2 {
				r, err := d.Take(t.Context(), []intake.Submission{o})
				if err != nil || r[0].Conflict != (device == 1) || r[0].Duplicate != (again == 1) {
					return fmt.Errorf("device %d, time %d: the receipt is %+v (%w)", device, again, r, err)
				}
			}
		}
	}
	if stats := must(s.Stats()); stats.Conflicts != 10 || stats.Entries != 20 {
		return fmt.Errorf("%d records and %d conflicts are kept of 20 and 10", stats.Entries, stats.Conflicts)
	}
	return nil
}

// trusting takes every record whose id is known for a repeat.
type trusting struct{ storetest.Memory }

func (s *trusting) Append(entries []drift.Entry, r []drift.Refusal) ([]drift.Placement, error) {
	if _, known, _ := s.Find(entries[0].Machine, entries[0].ID); known {
		return []drift.Placement{{Epoch: 1, Seq: 1, Duplicate: true}}, nil
	}
	return s.Memory.Append(entries, r)
}

// TestClonedControl: with a store that goes by the id alone, the second device is
// missed.
func TestClonedControl(t *testing.T) {
	require.NoError(t, cloned(t, &storetest.Memory{}, 1))
	require.Error(t, cloned(t, &trusting{}, 1))
}

// The numbers of a file have no gap, whoever writes at once: a forwarder counts by them
// what was compacted.
func TestNumbersHaveNoGap(t *testing.T) {
	s := open(t, dbPath(t))
	var all sync.WaitGroup
	for w := range 4 {
		all.Go(func() {
			for n := range 20 {
				_, err := s.Append([]drift.Entry{storetest.Calibration("K-07", n), storetest.Calibration(fmt.Sprintf("K-1%d", w), n)}, nil)
				assert.NoError(t, err)
			}
		})
	}
	all.Wait()
	entries, err := s.Since(0, 0, 0)
	require.NoError(t, err)
	require.Len(t, entries, 100)
	for i := range entries {
		require.EqualValues(t, i+1, entries[i].StoreSeq)
	}
}
