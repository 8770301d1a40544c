package forward

import (
	"bytes"
	"fmt"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// countAll puts arc counts into a store, every n-th of them with something that
// compaction removes, and a calibration among and behind them.
func countAll(t *testing.T, s *store.Store, from, n, odd int) {
	t.Helper()
	var entries []drift.Entry
	for i := from; i < from+n; i++ {
		e := storetest.Calibration([]string{"K-07", "K-08"}[i%2], i)
		if i%100 > 0 && i < from+n-2 {
			e.Type, e.Calibration = drift.TypeUsage, nil
			if odd > 0 && i%odd == 0 {
				e.Extra = []byte(`{"uptime":3600}`)
			}
			e.ID = ""
			e.ID = e.Identity()
		}
		entries = append(entries, e)
	}
	_, err := s.Append(entries, nil)
	require.NoError(t, err)
}

func compactAll(t *testing.T, s *store.Store) int {
	t.Helper()
	n, err := s.Compact(t.Context(), store.Compaction{})
	require.NoError(t, err)
	return n
}

// A hub that comes after arc counts were compacted gets those that are whole. It does not
// get those of which compaction removed something, as they would be another record with
// the same id; that is logged, with their number.
func TestHubAfterCompaction(t *testing.T) {
	for name, odd := range map[string]int{"all whole": 0, "some not": 7} {
		t.Run(name, func(t *testing.T) {
			van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
			countAll(t, van, 0, 700, odd)
			compacted, lacking := compactAll(t, van), 0
			require.Greater(t, compacted, 650)
			for i := range 698 {
				if odd > 0 && i%odd == 0 && i%100 > 0 {
					lacking++
				}
			}
			countAll(t, van, 700, 50, 0)
			var logged bytes.Buffer
			f := New(Hub{URL: hub.url}, van, slog.New(slog.NewTextHandler(&logged, nil)))
			defer f.hub.close()
			require.Zero(t, catchUp(t, f, 1))
			ours, err := van.Stats()
			require.NoError(t, err)
			theirs, err := hub.store.Stats()
			require.NoError(t, err)
			assert.EqualValues(t, ours.Entries-uint64(lacking), theirs.Entries)
			assert.Zero(t, theirs.Conflicts)
			if lacking == 0 {
				equal(t, van, hub.store)
				assert.Empty(t, logged.String())
				return
			}
			require.Error(t, differ(van, hub.store))
			assert.Equal(t, 1, strings.Count(logged.String(), "cannot be sent in full"), "%s", &logged)
			assert.Contains(t, logged.String(), fmt.Sprintf("counts=%d", lacking))
		})
	}
}

// Of a hub that was set, left out for a while and set again it is still known
// whether it has what it had, though arc counts were compacted meanwhile.
func TestHubIsKnownAfterCompaction(t *testing.T) {
	for name, odd := range map[string]int{"all whole": 0, "none whole": 1} {
		for _, lost := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, hub lost its records %t", name, lost), func(t *testing.T) {
				van, hub := newStore(t), newAgent(t, filepath.Join(t.TempDir(), "hub.db"))
				countAll(t, van, 1, 50, odd)
				way := &detour{to: hub.url}
				first := forwarder(Hub{URL: "http://hub.example", Transport: way}, van)
				require.Zero(t, catchUp(t, first, 1))
				at, err := van.Cursor("http://hub.example")
				require.NoError(t, err)
				at.Seq = 40 // an arc count, and then the hub was left out
				require.NoError(t, van.SetCursor("http://hub.example", at))
				require.Greater(t, compactAll(t, van), 40)
				if lost {
					hub = newAgent(t, filepath.Join(t.TempDir(), "new.db"))
					way.to = hub.url
				}

				var logged bytes.Buffer
				f := New(Hub{URL: "http://hub.example", Transport: way}, van, slog.New(slog.NewTextHandler(&logged, nil)))
				f.at = at
				require.Zero(t, catchUp(t, f, 1))
				assert.Equal(t, lost, strings.Contains(logged.String(), "has lost records"), "%s", &logged)
				if odd == 0 || !lost {
					equal(t, van, hub.store)
				}
			})
		}
	}
}
