package store_test

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// The latest of a machine are the end of its history, wherever it stands among
// the names.
func TestLatestIsTheEndOfTheHistory(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "a.db"))
	var entries []drift.Entry
	for i := range 30 {
		for _, m := range []string{"K-1", "K-10", "Z-9"} {
			r := drift.Record{Type: drift.TypeUsage, ID: fmt.Sprintf("%s-%d", m, i), Machine: m, Time: storetest.Received().Add(time.Duration(i) * time.Minute), ArcCount: drift.Some(int64(i))}
			entries = append(entries, drift.Entry{Record: r, Received: r.Time, Via: "import"})
		}
	}
	_, err := s.Append(entries, nil)
	require.NoError(t, err)
	for _, m := range []string{"K-1", "K-10", "Z-9", "K", "nobody"} {
		all, err := s.History(m)
		require.NoError(t, err)
		for _, n := range []int{0, 1, 7, 30, 31} {
			got, err := s.Latest(m, n)
			require.NoError(t, err)
			want := all[max(0, len(all)-n):]
			require.Len(t, got, len(want), "%s, %d", m, n)
			for i := range want {
				assert.Equal(t, want[i].ID, got[i].ID)
			}
		}
	}
}
