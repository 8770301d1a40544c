package cli_test

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
)

func TestSparesOfNobody(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, cli.SparesText(&out, nil))
	assert.Contains(t, out.String(), "No machine is known yet")
	r := agenttest.Run(t, cli.Env{}, "spares", "--db", agenttest.DB(t))
	assert.Equal(t, cli.ExitFailed, r.Code, "a store that is not there is no empty store")
}
