package pgstore_test

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/pgstore"
)

// BenchmarkTwoProcesses compares two processes that take records with one, where the
// database is not the limit: each flush of its log waits 100 ms or more (commit_delay), as
// for a distant database that flushes to a replica, and the processors rest meanwhile. A
// process is a store with its own connections that stores calls of 32 records one after the
// other, as the intake does; both stores are in this program. All records are of the same 1,000
// machines, so that the two wait for each other's locks as real ones do. It says nothing of
// a database that is busy.
func BenchmarkTwoProcesses(b *testing.B) {
	slow, err := agenttest.NewPostgres("commit_delay=100000", "commit_siblings=0")
	require.NoError(b, err)
	b.Cleanup(func() { assert.NoError(b, slow.Stop()) })
	database := slow.Database(b, "template1")
	const size, calls = 32, 24
	stores := make([]*pgstore.Store, 2)
	for i := range stores {
		stores[i], err = pgstore.Open(b.Context(), slow.URL(database), time.Now, pgstore.Options{})
		require.NoError(b, err)
		b.Cleanup(func() { assert.NoError(b, stores[i].Close()) })
	}
	next := 0
	rate := func(processes int) float64 {
		began := time.Now()
		var all sync.WaitGroup
		for i := range processes {
			first := next + i*calls
			all.Go(func() {
				for n := range calls {
					_, err := stores[i].Append(call(first+n, size, 1000), nil)
					assert.NoError(b, err)
				}
			})
		}
		all.Wait()
		next += processes * calls
		return float64(processes*calls*size) / time.Since(began).Seconds()
	}
	rate(2) // the machines are known from here on
	var one, two float64
	for b.Loop() {
		one += rate(1)
		two += rate(2)
	}
	b.ReportMetric(one/float64(b.N), "records/s-one")
	b.ReportMetric(two/float64(b.N), "records/s-two")
	b.ReportMetric(two/one, "times")
}
