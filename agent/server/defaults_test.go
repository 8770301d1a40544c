package server_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/server"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The example for Prometheus scrapes an agent without settings.
func TestTheExampleScrapesTheAgentAsItStarts(t *testing.T) {
	text, err := os.ReadFile(agenttest.Path(t, "dashboards/prometheus/prometheus.yml"))
	require.NoError(t, err)
	assert.Contains(t, string(text), `targets: ["`+server.Defaults().HTTPListen+`"]`)
}
