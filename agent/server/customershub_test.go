package server_test

import (
	"regexp"
	"strings"
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

// keepsCachedPagesApart: a page that a browser keeps is not taken for the page of the next who signs in there.
func (h hub) keepsCachedPagesApart(t *testing.T) {
	t.Helper()
	tag := regexp.MustCompile(`Etag: (\S+)`)
	for _, path := range []string{"/machines/SOLD-1", "/"} {
		first := h.ask(t, "GET", "velmora-crew", ask{path: path}, nil)
		assert.Contains(t, first.text, "Vary: Cookie, Authorization")
		assert.Contains(t, first.text, "Cache-Control: private")
		found := tag.FindStringSubmatch(first.text)
		require.NotNil(t, found, first.text[:300])
		for account, want := range map[string]int{"quarzby-crew": 200, "boss": 200, "velmora-bench": 304} {
			if path != "/" && account == "quarzby-crew" {
				want = 404
			}
			agenttest.Soon(t, account, func() bool { // the drawings of a page may follow
				first = h.ask(t, "GET", "velmora-crew", ask{path: path}, nil)
				found = tag.FindStringSubmatch(first.text)
				return !strings.Contains(first.text, "partial")
			})
			got := h.ask(t, "GET", account, ask{path: path}, map[string]string{"If-None-Match": found[1]})
			assert.Equal(t, want, got.status, "%s %s", account, path)
		}
	}
}
