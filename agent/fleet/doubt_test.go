package fleet_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/synth"
)

// A pack of proof must be the same when it is made again: so must the look-back in it,
// draws and all. Its spans are of what was found out, not of what was asked.
func TestTheSameLookBackComesOutTheSame(t *testing.T) {
	t.Parallel()
	today := time.Date(2026, 3, 20, 16, 30, 5, 0, time.UTC)
	var records []drift.Record
	for _, r := range synth.Open(5, today).History {
		if r.Machine == "" || r.Machine == "K-02" || r.Machine == "K-07" {
			records = append(records, r)
		}
	}
	book, q := newMemoryReader(records), lookback.Question{Job: "Hallow Fen week 11"}
	first, err := fleet.Doubt(t.Context(), book, today, nil, q)
	require.NoError(t, err)
	require.NotEmpty(t, first.Entries)
	for range 3 {
		again, err := fleet.Doubt(t.Context(), book, today, nil, q)
		require.NoError(t, err)
		assert.Equal(t, first, again)
	}
	for _, s := range first.Spans {
		assert.NotContains(t, s.Triggers, lookback.Asked)
	}
	zone, err := fleet.ZoneOf(book, "K-02", today)
	require.NoError(t, err)
	assert.Equal(t, time.UTC, zone)
}
