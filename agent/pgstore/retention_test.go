package pgstore_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// Dropping a generation of arc counts changes no answer, digest or repeat.
func TestAGenerationIsDropped(t *testing.T) {
	s := open(t, url(t))
	filled(t, s)
	ctx := t.Context()
	_, err := s.Drop(ctx, 1, 0)
	require.ErrorContains(t, err, "in use")
	second, err := s.OpenGeneration(ctx)
	require.NoError(t, err)
	require.Equal(t, 2, second)
	require.NoError(t, func() error { _, err := s.Append([]drift.Entry{usage("K-2", 100)}, nil); return err }())
	digests, counters := must(s.Digests()), must(s.Counters())
	before := must(s.History("K-2"))

	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{Epoch: 1, Seq: 3 * 64}))
	_, err = s.Drop(ctx, 1, 0)
	require.ErrorContains(t, err, "a hub does not have")
	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{Epoch: 1, Seq: 1 << 40}))
	dropped, err := s.Drop(ctx, 1, 0)
	require.NoError(t, err)
	assert.EqualValues(t, 11, dropped, "all but the last of K-1")

	assert.Equal(t, digests, must(s.Digests()))
	assert.Equal(t, counters, must(s.Counters()))
	after := must(s.History("K-2"))
	require.Len(t, after, 7)
	assert.Equal(t, before[6], after[6], "the newest generation is whole")
	for i := range before[:6] {
		assert.NotEmpty(t, before[i].Extra, "the control")
		before[i].Extra = nil
		assert.Equal(t, before[i], after[i], "what the model reads is there")
	}
	assert.Equal(t, 1, len(must(s.Latest("K-2", 10))), "whole entries only")
	again := must(s.Append([]drift.Entry{usage("K-2", 3)}, nil))
	assert.True(t, again[0].Duplicate)
	stats := must(s.Stats())
	assert.EqualValues(t, 11, stats.Compacted)
	all, err := s.Generations(ctx)
	require.NoError(t, err)
	require.Len(t, all, 2)
	assert.True(t, all[0].Gone && !all[1].Gone)
	sound(t, s)
}

// Compacting begins new generations and drops old ones by the number of arc counts, and
// changes no answer, digest, order or repeat.
func TestOldArcCountsAreDropped(t *testing.T) {
	s := open(t, url(t))
	filled(t, s) // three machines, 12 arc counts
	compact := func() int { return must(s.Compact(t.Context(), store.Compaction{Keep: 4})) }
	assert.Zero(t, compact(), "no more than 12 are there")
	more := func(from int) {
		for n := range 6 {
			_, err := s.Append([]drift.Entry{usage("K-1", from+n), usage("K-2", from+n)}, nil)
			require.NoError(t, err)
		}
	}
	more(100)
	digests, counters := must(s.Digests()), must(s.Counters())
	history := func(whole bool) (all []drift.Entry) {
		for _, machine := range must(s.Machines()) {
			all = append(all, must(s.History(machine))...)
		}
		for i := range all {
			if !whole && all[i].Type == drift.TypeUsage {
				all[i].Extra = nil
			}
		}
		return all
	}
	whole, before := history(true), history(false)
	require.NotEqual(t, whole, before, "the control")
	assert.Equal(t, 12, compact())
	assert.NotEqual(t, whole, history(true))
	assert.Equal(t, before, history(false))
	assert.Equal(t, digests, must(s.Digests()))
	assert.Equal(t, counters, must(s.Counters()))
	assert.EqualValues(t, 12, must(s.Stats()).Compacted)
	again := must(s.Append([]drift.Entry{usage("K-1", 11), usage("K-2", 3)}, nil))
	assert.True(t, again[0].Duplicate && again[1].Duplicate)
	assert.Zero(t, compact(), "nothing is new")
	more(200)
	assert.Equal(t, 12, compact())
	sound(t, s)
}

// A machine that has been silent for long keeps its newest arc counts whole, as in a file,
// however many the others send. So do the entry where a hub's receipts end, and an arc
// count whose id another record got later.
func TestSilentMachinesKeepTheirArcCounts(t *testing.T) {
	s, f := open(t, url(t)), file(t)
	clash := usage("K-1", 99)
	clash.ID = usage("K-1", 2).ID
	var all []drift.Entry
	for n := range 8 {
		all = append(all, usage("SILENT", n), usage("K-1", n))
	}
	all = append(all, clash)
	for _, one := range []storetest.Store{s, f} {
		require.NoError(t, func() error { _, err := one.Append(all, nil); return err }())
	}
	sent := must(s.History("K-1"))[7]
	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{Epoch: sent.StoreEpoch, Seq: sent.StoreSeq}))
	must(s.OpenGeneration(t.Context()))
	for n := range 20 {
		must(s.Append([]drift.Entry{usage("K-1", 100+n)}, nil))
	}
	digests := must(s.Digests())
	const keep = 4
	assert.EqualValues(t, 10, must(s.Drop(t.Context(), 1, keep)))
	must(f.Compact(t.Context(), store.Compaction{Keep: keep}))

	whole := func(one storetest.Store, machine string) (out []int64) {
		for _, e := range must(one.History(machine)) {
			if e.Extra != nil {
				out = append(out, e.ArcCount.Or(-1))
			}
		}
		return out
	}
	assert.Equal(t, []int64{4, 5, 6, 7}, whole(s, "SILENT"))
	assert.Equal(t, whole(f, "SILENT"), whole(s, "SILENT"))
	assert.Len(t, whole(s, "K-1"), 22, "those of the newest generation, the shared id, and the hub's last")
	assert.Equal(t, []int64{2, 7}, whole(s, "K-1")[:2])
	assert.Len(t, must(s.SincePseudonymous(sent.StoreEpoch, sent.StoreSeq-1, 1)), 1)
	assert.EqualValues(t, 10, must(s.Stats()).Compacted)
	assert.Equal(t, digests, must(s.Digests()))
	sound(t, s)

	must(s.OpenGeneration(t.Context()))
	must(s.Append([]drift.Entry{usage("K-1", 200)}, nil))
	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{Epoch: 1, Seq: 1 << 40}))
	assert.EqualValues(t, 18, must(s.Drop(t.Context(), 2, keep)), "the hub has moved on")
	assert.Equal(t, []int64{4, 5, 6, 7}, whole(s, "SILENT"), "again and again")
	assert.Equal(t, []int64{2, 117, 118, 119, 200}, whole(s, "K-1"))
	sound(t, s)
}
