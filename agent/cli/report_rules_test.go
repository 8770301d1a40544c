package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The report of how the rules are kept, from a store and from a running agent.
func TestReportOfTheRules(t *testing.T) {
	env := func() cli.Env {
		return cli.Env{Now: func() time.Time { return time.Date(2026, 3, 8, 12, 0, 0, 0, time.UTC) }}
	}
	db := agenttest.DB(t)
	records := env()
	records.Stdin = strings.NewReader(`{"type":"setup","scope":"fleet","zone":"Europe/Oslo","time":"2026-01-01T00:00:00Z"}
{"type":"calibration","machine":"K-01","model":"type-1","site":"Mill Lane","time":"2026-03-02T07:30:00+01:00","passed":true}
{"type":"splice","machine":"K-01","site":"Mill Lane","time":"2026-03-02T09:30:00+01:00","count":12}
{"type":"splice","machine":"K-01","site":"Mill Lane","time":"2026-03-03T09:30:00+01:00","count":12}
{"type":"service","machine":"K-01","time":"2026-03-03T12:00:00+01:00","action":"cleaned"}
{"type":"calibration","machine":"K-01","site":"Mill Lane","time":"2026-03-03T12:30:00+01:00","passed":true}
{"type":"splice","machine":"K-01","site":"Tarn Pass","time":"2026-03-03T15:30:00+01:00","count":12}
`)
	r := agenttest.Run(t, records, "import", "-", "--db", db)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	r = agenttest.Run(t, env(), "report", "--rules", "--db", db)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Regexp(t, `(?m)^2026-W10 +Mill Lane +1 of 2 +none due +none due$`, r.Out)
	assert.Regexp(t, `(?m)^2026-W10 +Tarn Pass +none due +1 of 1 +0 of 1$`, r.Out)
	r = agenttest.Run(t, env(), "report", "--rules", "--by", "model", "--format", "json", "--db", db)
	assert.JSONEq(t, `{"week":"2026-W10","name":"type-1","start_of_day":{"owed":2,"kept":1},"electrode_service":{"owed":1,"kept":1},"moved":{"owed":1,"kept":0}}`, r.Out)
	r = agenttest.Run(t, env(), "report", "--rules", "--format", "csv", "--db", db)
	assert.Contains(t, r.Out, "2026-W10,Tarn Pass,0,0,1,1,1,0\n")
	for _, wrong := range [][]string{{"--by", "operator", "--rules"}, {"--by", "model"}, {"--rules", "--sent"}} {
		assert.Equal(t, cli.ExitUsage, agenttest.Run(t, env(), append([]string{"report", "--db", db}, wrong...)...).Code)
	}
	none := agenttest.DB(t)
	empty := env()
	empty.Stdin = strings.NewReader(`{"type":"calibration","machine":"K-01","time":"2026-03-02T07:30:00+01:00","passed":true}`)
	require.Equal(t, cli.ExitDone, agenttest.Run(t, empty, "import", "-", "--db", none).Code)
	assert.Contains(t, agenttest.Run(t, env(), "report", "--rules", "--db", none).Out, "No use is on record in these weeks")
}
