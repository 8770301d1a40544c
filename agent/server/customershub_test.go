package server_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	arcdrifthub "arcdrift/agent/hub"
)

// The same at both processes of a hub on a database, where a process answers for the
// machines of the other from what that publishes: each works on some machines of each
// contractor, and not on all.
func TestTwoContractorsOfAHubOfProcessesNeverSeeEachOther(t *testing.T) {
	database, err := agenttest.NewPostgres()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, database.Stop()) })
	require.NoError(t, database.Do(t.Context(), "postgres", "create database hub"))
	h := serveBoth(t, &arcdrifthub.Databases{URL: database.URL("hub")}, 2)
	agenttest.Soon(t, "the machines are shared", func() bool {
		return h.processes[0].Mine(quarzby.look) && h.processes[1].Mine(velmora.look)
	})
	for _, c := range []contractor{quarzby, velmora} {
		for _, p := range h.processes {
			assert.NotEqual(t, p.Mine(c.machine(2)), p.Mine(c.look), "a machine of %s at each process", c.mark)
		}
	}
	neverSeeEachOther(t, h)
}
