package server_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestSparesCommand(t *testing.T) {
	db := agenttest.DB(t)
	s, _, stop := agenttest.Start(t, db, nil)
	setup := func(machine, more string) string {
		return fmt.Sprintf(`{"type":"setup","machine":%q,"time":"2026-02-01T06:00:00Z","scope":"machine",%s}`, machine, more)
	}
	lines := append(agenttest.Wearing("K-07", agenttest.Now), agenttest.Wearing("K-08", agenttest.Now)...)
	lines = append(lines, setup("K-07", `"depot":"north","spare_pairs":0`), setup("K-08", `"depot":"north"`),
		`{"type":"usage","machine":"M-01","time":"2026-02-20T06:00:00Z","arc_count":5}`)
	status, body := agenttest.Post(t, s, strings.Join(lines, "\n"))
	require.Equal(t, http.StatusCreated, status, body)
	decidedOn(t, s, "K-08", len(agenttest.Wearing("K-08", agenttest.Now))+1)
	decidedOn(t, s, "K-07", len(agenttest.Wearing("K-07", agenttest.Now))+1)
	decidedOn(t, s, "M-01", 1)
	// A setup is learnt from in the agent's own time.
	agenttest.Soon(t, "the depot is known", func() bool {
		return strings.Contains(agenttest.Run(t, cli.Env{}, "spares", "--db", db).Out, "north")
	})

	asked := map[string]agenttest.Result{}
	for _, format := range []string{"text", "json", "csv"} {
		asked[format] = agenttest.Run(t, cli.Env{}, "spares", "--db", db, "--format", format)
		require.Equal(t, cli.ExitDone, asked[format].Code, asked[format].Err)
	}
	assert.Contains(t, asked["text"].Err, "held by a running agent")
	assert.Contains(t, asked["text"].Out, "(no depot): 1 machine without a forecast or a pace")
	// Both machines are worn out and all but certain to need a pair in a month; two
	// pairs are needed and none is held.
	assert.Regexp(t, `(?m)^north +2 +[12]\.\d +2 +2 +0 +2 +30 days, assumed$`, asked["text"].Out)
	assert.Contains(t, asked["json"].Out, `{"depot":"north","machines":2,`)
	assert.Contains(t, asked["csv"].Out, "depot,machines,unknown,expected,hold_95,hold_99,held,lead_time_days,lead_time_assumed\n,0,1,0,0,0,,30,true\nnorth,2,0,")
	assert.Contains(t, agenttest.Scraped(t, s), `arcdrift_spare_pairs_needed{chance="0.95"} 2`)

	stop()
	for format, was := range asked {
		alone := agenttest.Run(t, cli.Env{}, "spares", "--db", db, "--format", format)
		assert.Equal(t, was.Out, alone.Out, "the store itself and the agent say the same")
		assert.Empty(t, alone.Err)
	}
}
