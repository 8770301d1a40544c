package fleet_test

import (
	"log/slog"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
)

// An earlier forecast on a page is what the agent would have said then, to
// the figure, and nothing that came later is in it.
func TestSaidIsWhatWouldHaveBeenSaid(t *testing.T) {
	records := lived(t, "straight", 3, 75)
	now := records[len(records)-1].Time.Add(time.Hour)
	book := newMemoryReader(records)
	f := fleet.New(book, func() time.Time { return now }, slog.New(slog.DiscardHandler))
	machine := book.names[0]
	all, err := f.Said(machine)
	require.NoError(t, err)
	require.Len(t, all, 5)
	for i, s := range all {
		if i > 0 {
			assert.Equal(t, 14*24*time.Hour, all[i-1].Made.Sub(s.Made))
		}
		if i != 0 && i != len(all)-1 {
			continue // replaying takes its time
		}
		then, err := fleet.Replay(book, machine, s.Made, drift.Opt[time.Time]{})
		require.NoError(t, err)
		require.NotNil(t, then[0].Electrode.ToFailure)
		assert.Equal(t, *then[0].Electrode.ToFailure, advise.Quantiles{P10: math.Round(s.Left.P10), P50: math.Round(s.Left.P50), P90: math.Round(s.Left.P90)})
		assert.Equal(t, then[0].Electrode.Arcs.Or(-1), s.Arcs)
		assert.Contains(t, []backtest.End{backtest.EndFailed, backtest.EndServiced, backtest.EndOpen}, s.End)
	}
	nobody, err := f.Said("nobody")
	require.NoError(t, err)
	assert.Empty(t, nobody)
}
