package store_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/intake"
	"arcdrift/agent/store"
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
			offers := make([]intake.Offer, group)
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
