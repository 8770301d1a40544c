package server_test

import (
	"fmt"
	"testing"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/server"
)

func TestMain(m *testing.M) { agenttest.Main(m) }

// decidedOn waits until alerts were decided on so many records of a machine.
func decidedOn(t *testing.T, s *server.Server, machine string, records int) {
	t.Helper()
	agenttest.Soon(t, fmt.Sprintf("%d records of %s are decided on", records, machine), func() bool {
		return s.Alerts().RecordsSeen(machine) >= records
	})
}
