package cli

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

// What is open in the demo is what its last week found: all that is older was decided.
func TestTheDemoDecidesOnOlderFindings(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 29, 9, 0, 0, 0, time.UTC)
	history := synth.Open(1, now).History
	decisions, err := pastDecisions(t.Context(), history, now)
	require.NoError(t, err)
	require.NotEmpty(t, decisions)
	for i := range decisions {
		require.NoError(t, decisions[i].Check())
		assert.True(t, decisions[i].Time.Before(now))
	}
	all := append(append([]drift.Record{}, history...), decisions...)
	report, err := fleet.Doubt(t.Context(), fleet.NewRecords(all), now, nil, lookback.Question{})
	require.NoError(t, err)
	waiting := report.Waiting()
	require.NotEmpty(t, waiting)
	assert.Less(t, len(waiting), 12)
	for _, s := range waiting {
		assert.Less(t, now.Sub(s.To), fresh, s.Summary)
	}
}
