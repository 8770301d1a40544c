package pgstore_test

import (
	"maps"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/share"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// Two processes store records of the same and of other machines; who reads them meanwhile,
// or listens for news slot by slot, misses none, and each machine's numbers rise.
func TestReadersMissNothing(t *testing.T) {
	at := url(t)
	processes := []*pgstore.Store{open(t, at), open(t, at)}
	reader := open(t, at)
	const calls = 40
	var all sync.WaitGroup
	done := make(chan struct{})
	for p, s := range processes {
		all.Go(func() {
			for n := range calls {
				entries := call(n+p*calls/2, 7, 9) // half of what one brings the other brings too
				_, err := s.Append(entries, nil)
				assert.NoError(t, err)
			}
		})
	}
	go func() { all.Wait(); close(done) }()

	var epoch, seq uint64
	var met []drift.Entry
	marks, heard := map[int]share.Mark{}, map[string]drift.Counter{}
	for last := false; !last; {
		select {
		case <-done:
			last = true
		default:
		}
		entries, err := reader.Since(epoch, seq, 5)
		require.NoError(t, err)
		for len(entries) > 0 {
			met = append(met, entries...)
			epoch, seq = entries[len(entries)-1].StoreEpoch, entries[len(entries)-1].StoreSeq
			entries, err = reader.Since(epoch, seq, 5)
			require.NoError(t, err)
		}
		picture, err := reader.Table().Renew(t.Context(), share.Renewal{Process: "reader", For: time.Hour})
		require.NoError(t, err)
		for slot, to := range picture.Newest {
			if to == marks[slot] {
				continue
			}
			news, err := reader.Table().News(t.Context(), slot, marks[slot])
			require.NoError(t, err)
			maps.Copy(heard, news.Machines)
			marks[slot] = to
		}
	}
	require.Len(t, met, calls/2*3*7, "each once")
	assert.Equal(t, must(reader.Counters()), heard)
	assert.Equal(t, met, must(reader.Since(0, 0, 0)))
	sound(t, reader)
}

// A process whose clock is wrong, or set back, changes no order and no repeat.
func TestClocksDecideNothing(t *testing.T) {
	s := open(t, url(t))
	late, early := storetest.Calibration("K-1", 1), storetest.Calibration("K-1", 2)
	late.Received = storetest.Received().AddDate(10, 0, 0)
	early.Received = storetest.Received().AddDate(-10, 0, 0)
	for _, e := range []drift.Entry{late, early, late} {
		_, err := s.Append([]drift.Entry{e}, nil)
		require.NoError(t, err)
	}
	h := must(s.History("K-1"))
	require.Len(t, h, 2)
	assert.Equal(t, []string{late.ID, early.ID}, []string{h[0].ID, h[1].ID}, "the order is that of taking")
}
