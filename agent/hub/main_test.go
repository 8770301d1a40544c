package hub_test

import (
	"testing"

	"arcdrift/agent/agenttest"
)

func TestMain(m *testing.M) { agenttest.Main(m) }
