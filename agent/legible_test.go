package agent

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A spoilt record, of whatever type, is left out and told once; every machine has
// its answer all the same.
func TestASpoiltRecordStopsNoAnswers(t *testing.T) {
	var lines strings.Builder
	for day := 1; day <= 5; day++ {
		for machine := 1; machine <= 2; machine++ {
			fmt.Fprintf(&lines, `{"type":"calibration","machine":"K-0%d","time":"2026-03-0%dT08:00:00Z","passed":true,"arc_count":%d}`+"\n", machine, day, 100*day)
		}
		fmt.Fprintf(&lines, `{"type":"setup","scope":"site","name":"site-%d","time":"2026-03-0%dT07:00:00Z","lead_time_days":4}`+"\n", day, day)
	}
	for name, c := range map[string]struct {
		of, instead string
		spoilt      int
	}{
		"calibration": {`"arc_count":300`, `"arc_count":900`, 2},
		"setup":       {`"name":"site-3"`, `"name":"site-9"`, 1},
	} {
		t.Run(name, func(t *testing.T) {
			db := tempDB(t)
			r := cli(t, Env{Stdin: strings.NewReader(lines.String())}, "import", "--db", db, "-")
			require.Zero(t, r.code, r.say)
			raw, err := os.ReadFile(db)
			require.NoError(t, err)
			require.Contains(t, string(raw), c.of)
			require.NoError(t, os.WriteFile(db, bytes.ReplaceAll(raw, []byte(c.of), []byte(c.instead)), 0o600))
			for start := range 2 { // from the records, and from what was kept
				s, log, stop := startServer(t, db, nil)
				require.Eventually(t, func() bool { board, _ := s.mind.Board(); return len(board) == 2 }, time.Minute, time.Millisecond, "start %d: %s", start, log)
				if start == 0 {
					assert.Equal(t, c.spoilt, strings.Count(log.String(), "is left out of the answers"), "%s", log)
				}
				assert.NotContains(t, log.String(), "not up to date")
				latest, err := records{s.store, newLegible(s.store, s.log), nil}.Latest("K-01", 10)
				require.NoError(t, err, "its page shows the rest")
				assert.NotEmpty(t, latest)
				stop()
			}
		})
	}
}
