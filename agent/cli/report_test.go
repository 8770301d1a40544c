package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/backtest"
)

func TestReport(t *testing.T) {
	card := backtest.Card{
		From: agenttest.Now.AddDate(0, -1, 0), Until: agenttest.Now, Missed: 1,
		AlertRow: backtest.AlertRow{Alerts: 3, Right: 1, Wrong: 1, Unclear: 1, Failures: 2, Announced: 1, PerMonth: drift.Some(0.667), Recall: drift.Some(0.5), Precision: drift.Some(0.5), Low: drift.Some(0.01), High: drift.Some(0.99), Notice: drift.Some(5.0)},
		List: []backtest.Alert{
			{Machine: "K-07", Raised: agenttest.Now.AddDate(0, 0, -20), Outcome: backtest.Right, Because: "found worn"},
			{Machine: "K-03", Raised: agenttest.Now.AddDate(0, 0, -2), Outcome: backtest.Right, Because: "a session was given up", Recent: true},
			{Machine: "M-02", Raised: agenttest.Now.AddDate(0, 0, -18), Outcome: backtest.Wrong, Because: "the cleaver was at fault"},
		},
		Failed: []backtest.Announced{{Machine: "K-07", Time: agenttest.Now.AddDate(0, 0, -15), Notice: drift.Some(5.0)}, {Machine: "K-03", Time: agenttest.Now.AddDate(0, 0, -1)}},
	}
	var text, table bytes.Buffer
	require.NoError(t, cli.ReportText(&cli.Env{}, &text, &card))
	assert.Equal(t, `From 2 Feb 2026 to 2 Mar 2026
3 service alerts, 0.67 for each machine and month: 1 right, 1 wrong, 1 unclear; right 50 % (1 to 99) of those that can be judged.
2 failures: 1 announced at least 3 days ahead, 50 %; 0 later, 1 missed; 5.0 days of warning in the middle.

Alerts
RAISED       MACHINE  OUTCOME                     BECAUSE
10 Feb 2026  K-07     right                       found worn
28 Feb 2026  K-03     right, too recent to count  a session was given up
12 Feb 2026  M-02     wrong                       the cleaver was at fault

Failures
FAILED       MACHINE  DAYS OF WARNING
15 Feb 2026  K-07     5.0
1 Mar 2026   K-03     –
`, text.String())
	require.NoError(t, cli.ReportCSV(&table, &card))
	assert.Equal(t, `what,machine,time,outcome,because,notice_days
alert,K-07,2026-02-10T18:00:00Z,right,found worn,
alert,K-03,2026-02-28T18:00:00Z,right,a session was given up,
alert,M-02,2026-02-12T18:00:00Z,wrong,the cleaver was at fault,
failure,K-07,2026-02-15T18:00:00Z,,,5
failure,K-03,2026-03-01T18:00:00Z,,,
`, table.String())
}

func TestReportSaysWhenThereIsTooLittle(t *testing.T) {
	db, file := agenttest.DB(t), filepath.Join(t.TempDir(), "one.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(`{"type":"calibration","machine":"K-07","time":"2026-03-01T07:45:00Z","passed":true}`), 0o600))
	require.Equal(t, cli.ExitDone, agenttest.Run(t, cli.Env{}, "import", "--db", db, file).Code)
	r := agenttest.Run(t, cli.Env{}, "report", "--db", db)
	assert.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Equal(t, "The records are too short to report on.\n", r.Out)
	r = agenttest.Run(t, cli.Env{}, "report", "--db", db, "--format", "json")
	assert.Contains(t, r.Out, `"list":[],"failed":[]`)
}

func TestReportOfNothingSent(t *testing.T) {
	db := agenttest.DB(t)
	_, _, stop := agenttest.Start(t, db, nil)
	stop()
	r := agenttest.Run(t, cli.Env{}, "report", "--sent", "--db", db)
	assert.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Equal(t, "No case has been opened yet.\n", r.Out)
}
