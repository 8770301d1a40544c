package store_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// TestOldStoresOpenForEver opens a copy of the store of every schema.
func TestOldStoresOpenForEver(t *testing.T) {
	old, err := filepath.Glob("../../testdata/store/*.bolt")
	require.NoError(t, err)
	require.NotEmpty(t, old)
	for _, file := range old {
		t.Run(filepath.Base(file), func(t *testing.T) {
			raw, err := os.ReadFile(file)
			require.NoError(t, err)
			want, err := os.ReadFile(strings.TrimSuffix(file, ".bolt") + ".txt")
			require.NoError(t, err)
			path := dbPath(t)
			require.NoError(t, os.WriteFile(path, raw, 0o600))

			s := open(t, path)
			require.Len(t, s.Diagnostics(), 1)
			require.Equal(t, store.FoundWithoutCheckpoint, s.Diagnostics()[0].Kind, "only its checkpoint is missing")
			storetest.Invariants(t, s)
			var got strings.Builder
			for e, err := range store.Entries(s) {
				require.NoError(t, err)
				fmt.Fprintf(&got, "%d/%d %s %t %s\n", e.StoreEpoch, e.StoreSeq, e.Via, e.PossibleRepeat, e.AppendCanonical(nil))
			}
			require.Equal(t, string(want), got.String())
			counts, err := s.RefusalCounts()
			require.NoError(t, err)
			require.Equal(t, []store.RefusalCount{{Machine: "K-1", Field: "type", Reason: "is cut short", Count: 1}}, counts)

			placed, err := s.Append([]drift.Entry{nth(5), nth(100)}, nil)
			require.NoError(t, err)
			require.True(t, placed[0].Duplicate, "ids are derived as they were")
			require.EqualValues(t, 2, placed[1].Epoch)
		})
	}
}
