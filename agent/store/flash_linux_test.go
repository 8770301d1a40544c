package store_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// BenchmarkFlash: bytes sent to the disk for a record that comes alone, as from a
// machine in a yard, and in company, as from a van that has come home; and what
// the store grows by. Run it with a fixed count, like -benchtime 2000x.
func BenchmarkFlash(b *testing.B) {
	for _, group := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("together=%d", group), func(b *testing.B) {

			s := open(b, dbPath(b))
			d := doorTo(b, s)
			before, was := written(b), size(b, s)
			offers := make([]intake.Submission, group)
			taken := 0
			for ; taken < b.N; taken += group {
				for i := range offers {
					offers[i] = offerOf(taken + i)
				}
				_, err := d.Take(b.Context(), offers)
				require.NoError(b, err)
			}
			b.ReportMetric(float64(written(b)-before)/float64(taken), "B-written/record")
			b.ReportMetric(float64(size(b, s)-was)/float64(taken), "B-kept/record")
		})
	}
}

// written is what this process has sent to disks, in bytes (proc(5), io).
func written(b *testing.B) int64 {
	b.Helper()
	raw, err := os.ReadFile("/proc/self/io")
	require.NoError(b, err)
	_, rest, ok := strings.Cut(string(raw), "\nwrite_bytes: ")
	require.True(b, ok)
	n, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
	require.NoError(b, err)
	return n
}

// size is what is used of the store's file, in bytes.
func size(b *testing.B, s *store.Store) int64 {
	b.Helper()
	stats, err := s.Stats()
	require.NoError(b, err)
	return stats.Size
}

// BenchmarkThin: what arc counts as a device sends them take of the file, whole
// and once they are compacted, free pages left out; and the time that takes. Run it
// with a fixed count, like -benchtime 50000x.
func BenchmarkThin(b *testing.B) {
	path := dbPath(b)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(b, err)
	for at := 0; at < b.N; at += 100 {
		batch := make([]drift.Entry, min(100, b.N-at))
		for i := range batch {
			e := storetest.Calibration(fmt.Sprintf("K-%02d", i%10), at+i)
			e.Type, e.Calibration = drift.TypeUsage, nil
			e.ID = ""
			e.ID = e.Identity()
			batch[i] = e
		}
		_, err := s.Append(batch, nil)
		require.NoError(b, err)
	}
	whole := inUse(b, s, path)
	b.ResetTimer()
	n, err := s.Compact(b.Context(), store.Compaction{})
	b.StopTimer()
	require.NoError(b, err)
	b.ReportMetric(float64(whole)/float64(b.N), "B-whole/record")
	b.ReportMetric(float64(inUse(b, s, path))/float64(b.N), "B-compacted/record")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "records/s")
	require.NoError(b, s.Close())
}

// inUse is what a copy of the store has in pages that are not free, in bytes.
func inUse(b *testing.B, s *store.Store, path string) int64 {
	b.Helper()
	copied := path + ".copy"
	require.NoError(b, s.BackupFile(copied))
	db, err := bbolt.Open(copied, 0o600, nil)
	require.NoError(b, err)
	// A transaction that writes lets go of what the last one freed.
	require.NoError(b, db.Update(func(*bbolt.Tx) error { return nil }))
	stats, used := db.Stats(), int64(0)
	require.NoError(b, db.View(func(tx *bbolt.Tx) error {
		used = tx.Size() - int64(stats.FreePageN+stats.PendingPageN)*int64(db.Info().PageSize)
		return nil
	}))
	require.NoError(b, db.Close())
	return used
}
