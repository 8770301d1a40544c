package server_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/alert"
	"arcdrift/agent/store"
	"arcdrift/drift"
)

// One service alert that the bench found wrong silences the rule; the agent says so
// on its pages and in its metrics, and what brings it back.
func TestASilencedRuleIsSaidByTheAgent(t *testing.T) {
	db := agenttest.DB(t)
	clock := func() time.Time { return agenttest.Now }
	kept, err := store.Open(db, clock, store.Options{})
	require.NoError(t, err)
	opened := agenttest.Now.AddDate(0, 0, -20)
	ended, err := json.Marshal(alert.Outcome{
		Subject: "K-07", Rule: alert.ElectrodesDue, Opened: opened, SentAt: opened, Ended: opened.AddDate(0, 0, 3), End: alert.ByService,
		Service: opened.AddDate(0, 0, 3), Action: drift.Inspected, Finding: drift.Fine,
	})
	require.NoError(t, err)
	require.NoError(t, kept.Decide([]byte("{}"), [][]byte{ended}, nil))
	require.NoError(t, kept.Close())

	s, _, _ := agenttest.Start(t, db, nil)
	agenttest.Soon(t, "the fleet is read", func() bool { return s.Ready() == nil })
	const why, way = "By the findings of the bench, 0 were right and 1 wrong", "4 findings of worn or dirty in a row"
	for _, path := range []string{"/", "/morning", "/morning.txt", "/alerts"} {
		seen := agenttest.Read(t, s, path)
		assert.Contains(t, seen, why, path)
		assert.Contains(t, seen, way, path)
	}
	metrics := agenttest.Read(t, s, "/metrics")
	assert.Contains(t, metrics, `arcdrift_alert_rule_silenced{rule="electrode-service"} 1`)
	assert.Contains(t, metrics, `arcdrift_alert_rule_silenced{rule="stop"} 0`)
}
