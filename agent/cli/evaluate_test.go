package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/backtest"
	"arcdrift/drift/synth"
)

// TestEvaluate replays a small fleet from its store to the tables.
func TestEvaluate(t *testing.T) {
	w, ok := synth.WorldNamed("three-models")
	require.True(t, ok)
	const machines, days = 6, 80
	var lines []byte
	for _, r := range synth.Make(w, 3, machines, agenttest.Now.AddDate(0, 0, -days), days).Records {
		lines = append(r.AppendCanonical(lines), '\n')
	}
	db, file := agenttest.DB(t), filepath.Join(t.TempDir(), "fleet.jsonl")
	require.NoError(t, os.WriteFile(file, lines, 0o600))
	require.Equal(t, cli.ExitDone, agenttest.Run(t, cli.Env{}, "import", "--db", db, file).Code)
	t.Setenv("TMPDIR", t.TempDir())

	got := agenttest.Run(t, cli.Env{Terminal: true}, "evaluate", "--db", db, "--format", "json")
	require.Equal(t, cli.ExitDone, got.Code, got.Err)
	assert.Contains(t, got.Err, "\r2 of 2 moments …")
	var r backtest.Report
	require.NoError(t, json.Unmarshal([]byte(got.Out), &r))
	assert.Equal(t, machines, r.Machines)
	assert.Equal(t, 2, r.Moments)
	assert.NotEmpty(t, r.Arcs)
	assert.NotEmpty(t, r.Moves)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left, "the copy is gone")

	var text, table bytes.Buffer
	require.NoError(t, cli.EvaluateText(&cli.Env{}, &text, &r))
	for _, say := range []string{"6 machines replayed from 10 Feb 2026 to ", "seed 1", backtest.FleetLifetimes, backtest.LastPoints, backtest.Rule, backtest.ThreeInARow, "that of the last row.\nIn hindsight: ", "90 to 100 %"} {
		assert.Contains(t, text.String(), say)
	}
	assert.NotContains(t, text.String(), "Nobody heeds", "of a store's own alerts that is not known")
	require.NoError(t, cli.EvaluateCSV(&table, &r))
	rows, err := csv.NewReader(&table).ReadAll()
	require.NoError(t, err)
	assert.Equal(t, []string{"table", "data", "who", "measure", "value"}, rows[0])
	assert.Len(t, rows, 1+11*len(r.Arcs)+6*len(r.Moves)+5*len(r.Bins)+14*len(r.Alerts)+len(r.Blend))
}

// TestEvaluateInvented holds the truth of an invented fleet against what an oracle
// that is told chance as well would say.
func TestEvaluateInvented(t *testing.T) {
	got := agenttest.Run(t, cli.Env{Terminal: true}, "evaluate", "--invented", "straight,healthy", "--machines", "2", "--days", "76", "--seed", "5", "--format", "json")
	require.Equal(t, cli.ExitDone, got.Code, got.Err)
	assert.Contains(t, got.Err, "\rhealthy: 2 of 2 moments …")
	var r backtest.Report
	require.NoError(t, json.Unmarshal([]byte(got.Out), &r))
	assert.Equal(t, 4, r.Machines)
	assert.EqualValues(t, 5, r.Seed)
	assert.Equal(t, backtest.Oracle, r.Alerts[len(r.Alerts)-1].Who)
	var text bytes.Buffer
	require.NoError(t, cli.EvaluateText(&cli.Env{}, &text, &r))
	assert.Contains(t, text.String(), "nobody acts on an alert")

	for _, wrong := range [][]string{
		{"--invented", "grooved"}, {"--invented", "all", "--machines", "0"}, {"--machines", "3"}, {"--days", "3"}, {"--seed", "3"},
	} {
		assert.Equal(t, cli.ExitUsage, agenttest.Run(t, cli.Env{}, append([]string{"evaluate"}, wrong...)...).Code, wrong)
	}
}

func TestInventorKnowsTheTruth(t *testing.T) {
	w, ok := synth.WorldNamed("blunt")
	require.True(t, ok)
	const machines, days = 4, 120
	one := synth.Make(w, 9, machines, agenttest.Now.AddDate(0, 0, -days), days)
	v := one.Truth
	blunt, spent := 0, 0
	for _, m := range one.Truth.Machines {
		for _, s := range m.Sessions {
			// Records of a session come up to a few minutes after its beginning.
			assert.Equal(t, !s.Fit, v.Electrodes(m.Name, s.Time.Add(4*time.Minute)))
			if !s.Passed && s.Fit {
				blunt++
			}
			if !s.Passed && !s.Fit {
				spent++
			}
		}
		assert.False(t, v.Electrodes(m.Name, agenttest.Now.AddDate(-1, 0, 0)), "nothing yet")
		at := agenttest.Now.AddDate(0, 0, -40)
		near, far := v.Chance(m.Name, at, 10), v.Chance(m.Name, at, 5000)
		assert.LessOrEqual(t, near, far)
		assert.Greater(t, far, 0.9, "no pair of these lasts for ever")
	}
	assert.Positive(t, blunt)
	assert.Positive(t, spent)
}

func TestEvaluateSaysWhenThereIsTooLittle(t *testing.T) {
	db, file := agenttest.DB(t), filepath.Join(t.TempDir(), "one.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(`{"type":"calibration","machine":"K-07","time":"2026-03-01T07:45:00Z","passed":true}`), 0o600))
	require.Equal(t, cli.ExitDone, agenttest.Run(t, cli.Env{}, "import", "--db", db, file).Code)
	r := agenttest.Run(t, cli.Env{}, "evaluate", "--db", db)
	assert.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Contains(t, r.Out, "1 machine replayed")
	assert.Contains(t, r.Out, "too short")
	assert.Equal(t, 2, strings.Count(r.Out, "\n"))
	r = agenttest.Run(t, cli.Env{}, "evaluate", "--db", db+"x")
	assert.Equal(t, cli.ExitFailed, r.Code)
}
