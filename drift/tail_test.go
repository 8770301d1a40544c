package drift_test

import (
	"encoding/json"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
)

// What a tail takes is last when all is ordered anew, the rest stays as it
// was, and the tail is that of the whole. It may be kept as JSON in between.
func TestWhatATailTakesIsLast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		entries := history(t)
		for i := range entries {
			entries[i].StoreSeq = uint64(i + 1)
		}
		known := rapid.IntRange(0, len(entries)).Draw(t, "known")
		so, more := slices.Clone(entries[:known]), entries[known:]
		tail := drift.Order(so)
		for i := range more {
			raw, err := json.Marshal(tail)
			require.NoError(t, err)
			tail = drift.Tail{}
			require.NoError(t, json.Unmarshal(raw, &tail))
			all := slices.Clone(append(slices.Clip(entries[:known:known]), more[:i+1]...))
			whole := drift.Order(all)
			if tail.Take(&more[i]) {
				so = append(so, more[i])
				require.Equal(t, ids(all), ids(so))
				for source, end := range whole.Streams {
					require.Equal(t, end.Seq, tail.Streams[source].Seq)
					require.True(t, end.At.Equal(tail.Streams[source].At), "%v", source)
				}
				require.Equal(t, whole.Last.ID, tail.Last.ID)
			} else {
				so, tail = all, whole
			}
		}
	})
}

// The usual record is taken: the next of a source whose clock was wild once, the
// next without numbers, a first one.
func TestATailTakesTheUsualRecord(t *testing.T) {
	tail := drift.Order([]drift.Entry{from("van", 1, at("a", 1)), from("van", 2, at("b", -99_999)), from("van", 3, at("c", 4)), at("d", 5)})
	for _, e := range []drift.Entry{from("van", 4, at("e", 6)), at("f", 7), from("hut", 1, at("g", 8)), at("h", 8)} {
		assert.True(t, tail.Take(&e), e.ID)
	}
	for _, e := range []drift.Entry{at("h", 8), at("i", 7), from("van", 3, at("j", 9))} {
		assert.False(t, tail.Take(&e), e.ID)
	}
	var none drift.Tail
	first := at("a", 1)
	assert.True(t, none.Take(&first))
	// Two runs are as long: which is believed the next record decides.
	doubt := drift.Order([]drift.Entry{from("van", 1, at("a", 1)), from("van", 2, at("b", 5)), from("van", 3, at("c", 3))})
	next := from("van", 4, at("d", 6))
	assert.False(t, doubt.Take(&next))
}
