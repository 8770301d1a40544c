package store_test

import (
	"bytes"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkKept: bytes sent to the disk when what was worked out of so many
// machines is kept, 6.3 KB each, and what the store grows by in the end.
func BenchmarkKept(b *testing.B) {
	for _, machines := range []int{1, 50, 1000} {
		b.Run(fmt.Sprintf("machines=%d", machines), func(b *testing.B) {
			s := open(b, dbPath(b))
			values := map[string][]byte{}
			for n := range machines {
				values[fmt.Sprintf("K-%04d", n)] = bytes.Repeat([]byte{byte(n)}, 6300)
			}
			before, was := written(b), size(b, s)
			for b.Loop() {
				require.NoError(b, s.PutCached(values))
			}
			b.ReportMetric(float64(written(b)-before)/float64(b.N*machines), "B-written/machine")
			b.ReportMetric(float64(size(b, s)-was)/float64(machines), "B-kept/machine")
		})
	}
}
