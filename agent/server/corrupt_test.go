package server_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A corrupt record, of any type, is left out and reported once; every machine has
// its answer all the same.
func TestACorruptRecordStopsNoAnswers(t *testing.T) {
	var lines strings.Builder
	for day := 1; day <= 5; day++ {
		for machine := 1; machine <= 2; machine++ {
			fmt.Fprintf(&lines, `{"type":"calibration","machine":"K-0%d","time":"2026-03-0%dT08:00:00Z","passed":true,"arc_count":%d}`+"\n", machine, day, 100*day)
		}
		fmt.Fprintf(&lines, `{"type":"setup","scope":"site","name":"site-%d","time":"2026-03-0%dT07:00:00Z","lead_time_days":4}`+"\n", day, day)
	}
	for name, c := range map[string]struct {
		of, instead string
		corrupt     int
	}{
		"calibration": {`"arc_count":300`, `"arc_count":900`, 2},
		"setup":       {`"name":"site-3"`, `"name":"site-9"`, 1},
	} {
		t.Run(name, func(t *testing.T) {
			db := agenttest.DB(t)
			r := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(lines.String())}, "import", "--db", db, "-")
			require.Zero(t, r.Code, r.Err)
			raw, err := os.ReadFile(db)
			require.NoError(t, err)
			require.Contains(t, string(raw), c.of)
			require.NoError(t, os.WriteFile(db, bytes.ReplaceAll(raw, []byte(c.of), []byte(c.instead)), 0o600))
			for start := range 2 { // from the records, and from what was kept
				s, log, stop := agenttest.Start(t, db, nil)
				require.Eventually(t, func() bool { return s.Ready() == nil }, time.Minute, time.Millisecond, "start %d: %s", start, log)
				if start == 0 {
					assert.Equal(t, c.corrupt, strings.Count(log.String(), "Left out of the answers"), "%s", log)
				}
				assert.NotContains(t, log.String(), "not up to date")
				pagesAnswer(t, s.URL())
				exportsTheRest(t, db, c.corrupt)
				stop()
			}
			commandsAnswer(t, db, c.corrupt)
			exportsTheRest(t, db, c.corrupt)
		})
	}
}

// pagesAnswer demands that all that reads a history shows the rest of it, and
// that the agent says what is missing.
func pagesAnswer(t *testing.T, url string) {
	t.Helper()
	for _, path := range []string{
		"/machines/K-01", "/machines/K-01?as_of=2026-03-04T18:00:00Z", "/log?machine=K-01", "/moved?machine=K-01",
		"/api/v1/machines/K-01/records", "/api/v1/machines/K-01?as_of=2026-03-04T18:00:00Z", "/api/v1/machines?known_at=2026-03-04T18:00:00Z",
		"/api/v1/site-check?machine=K-01&temperature_c=4&humidity_pct=60&altitude_m=900&as_of=2026-03-04T18:00:00Z",
	} {
		status, _ := agenttest.Got(t, url+path)
		assert.Equal(t, http.StatusOK, status, path)
	}
	_, all := agenttest.Got(t, url+"/api/v1/machines/K-02/records")
	last := all[strings.LastIndex(strings.TrimSpace(all), "\n")+1:]
	var record struct{ ID string }
	require.NoError(t, json.Unmarshal([]byte(last), &record))
	status, _ := agenttest.Got(t, url+"/correct?machine=K-02&corrects="+record.ID)
	assert.Equal(t, http.StatusOK, status, "its form for a correction")
	_, found := agenttest.Got(t, url+"/refused")
	assert.Contains(t, found, "Left out of the answers, as it is spoilt: ")
}

// commandsAnswer demands the same of the commands.
func commandsAnswer(t *testing.T, db string, corrupt int) {
	t.Helper()
	for _, args := range [][]string{{"assess"}, {"assess", "--as-of", "2026-03-04T18:00:00Z"}, {"spares"}, {"report", "--sent"},
		{"site-check", "--machine", "K-01", "--temperature", "4", "--humidity", "60", "--altitude", "900"}} {
		r := agenttest.Run(t, cli.Env{}, append(args, "--db", db)...)
		assert.Zero(t, r.Code, "%v: %s", args, r.Err)
		if args[0] == "assess" {
			assert.Equal(t, corrupt, strings.Count(r.Err, "Left out of the answers, as it is spoilt: "), "%v: %s", args, r.Err)
		}
	}
}

// exportsTheRest demands that an export is all but what is corrupt, and no success.
func exportsTheRest(t *testing.T, db string, corrupt int) {
	t.Helper()
	r := agenttest.Run(t, cli.Env{}, "export", "--db", db)
	assert.Equal(t, cli.ExitFailed, r.Code)
	assert.Contains(t, r.Err, fmt.Sprintf("%d spoilt record", corrupt))
	assert.Equal(t, 15-corrupt, strings.Count(r.Out, "\n"), "%s", r.Out)
	again := agenttest.Run(t, cli.Env{Stdin: strings.NewReader(r.Out)}, "import", "--db", agenttest.DB(t), "-")
	assert.Zero(t, again.Code, again.Err)
}
