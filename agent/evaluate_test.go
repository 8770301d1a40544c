package agent

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/score"
	"arcdrift/drift/synth"
)

// TestEvaluate replays a small fleet from its store to the tables.
func TestEvaluate(t *testing.T) {
	w, ok := synth.WorldNamed("three-models")
	require.True(t, ok)
	const machines, days = 6, 80
	var lines []byte
	for _, r := range synth.Make(w, 3, machines, scriptMoment.AddDate(0, 0, -days), days).Records {
		lines = append(r.AppendCanonical(lines), '\n')
	}
	db, file := tempDB(t), filepath.Join(t.TempDir(), "fleet.jsonl")
	require.NoError(t, os.WriteFile(file, lines, 0o600))
	require.Equal(t, exitDone, cli(t, Env{}, "import", "--db", db, file).code)
	t.Setenv("TMPDIR", t.TempDir())

	got := cli(t, Env{Terminal: true}, "evaluate", "--db", db, "--format", "json")
	require.Equal(t, exitDone, got.code, got.say)
	assert.Contains(t, got.say, "\r2 of 2 moments …")
	var r score.Report
	require.NoError(t, json.Unmarshal([]byte(got.answer), &r))
	assert.Equal(t, machines, r.Machines)
	assert.Equal(t, 2, r.Moments)
	assert.NotEmpty(t, r.Arcs)
	assert.NotEmpty(t, r.Moves)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left, "the copy is gone")

	var text, table bytes.Buffer
	require.NoError(t, evaluateText(&text, &r))
	for _, say := range []string{"6 machines replayed from 10 Feb 2026 to ", "seed 1", score.PastLives, score.LastPoints, score.Rule, score.ThreeInARow, "in hindsight", "90 to 100 %"} {
		assert.Contains(t, text.String(), say)
	}
	require.NoError(t, evaluateCSV(&table, &r))
	rows, err := csv.NewReader(&table).ReadAll()
	require.NoError(t, err)
	assert.Equal(t, []string{"table", "data", "who", "measure", "value"}, rows[0])
	assert.Len(t, rows, 1+11*len(r.Arcs)+6*len(r.Moves)+5*len(r.Bins)+12*len(r.Alerts))
}

func TestEvaluateSaysWhenThereIsTooLittle(t *testing.T) {
	db, file := tempDB(t), filepath.Join(t.TempDir(), "one.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(`{"type":"calibration","machine":"K-07","time":"2026-03-01T07:45:00Z","passed":true}`), 0o600))
	require.Equal(t, exitDone, cli(t, Env{}, "import", "--db", db, file).code)
	r := cli(t, Env{}, "evaluate", "--db", db)
	assert.Equal(t, exitDone, r.code, r.say)
	assert.Contains(t, r.answer, "1 machine replayed")
	assert.Contains(t, r.answer, "too short")
	assert.Equal(t, 2, strings.Count(r.answer, "\n"))
	r = cli(t, Env{}, "evaluate", "--db", db+"x")
	assert.Equal(t, exitFailed, r.code)
}
