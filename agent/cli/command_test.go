package cli_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestExitCodes(t *testing.T) {
	db := agenttest.DB(t)
	file := filepath.Join(t.TempDir(), "in.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(`{"type":"usage","machine":"K-07","arc_count":5,"id":"a"}`), 0o600))
	bad := filepath.Join(t.TempDir(), "bad.jsonl")
	require.NoError(t, os.WriteFile(bad, []byte(`{"type":"usage","machine":"K-07"}`), 0o600))
	for _, c := range []struct {
		want int
		args []string
	}{
		{cli.ExitDone, []string{"import", "--db", db, file}},
		{cli.ExitDone, []string{"assess", "--db", db}},
		{cli.ExitDone, []string{"version"}},
		{cli.ExitDone, []string{"help", "assess"}},
		{cli.ExitDone, nil},
		{cli.ExitFailed, []string{"import", "--db", db, file + "x"}},
		{cli.ExitFailed, []string{"assess", "--db", db + "x"}},
		{cli.ExitFailed, []string{"assess", "--db", db, "--machine", "K-99"}},
		{cli.ExitFailed, []string{"import", "--db", filepath.Join(file, "x.db"), file}},
		{cli.ExitUsage, []string{"bake"}},
		{cli.ExitUsage, []string{"import"}},
		{cli.ExitUsage, []string{"assess", "everything"}},
		{cli.ExitUsage, []string{"assess", "--no-such-flag"}},
		{cli.ExitUsage, []string{"assess", "--as-of", "noon"}},
		{cli.ExitUsage, []string{"log", "usage", "--machine", "K-07", "--db", db}},
		{cli.ExitUsage, []string{"serve", "--http-listen", "0.0.0.0:0"}},
		{cli.ExitUsage, []string{"serve", "--mqtt-listen", "here"}},
		{cli.ExitRefused, []string{"import", "--db", db, bad}},
	} {
		r := agenttest.Run(t, cli.Env{}, c.args...)
		assert.Equal(t, c.want, r.Code, "%v: %s", c.args, r.Err)
		if c.want != cli.ExitDone {
			assert.True(t, strings.HasPrefix(lastLine(r.Err), "arcdrift: "), "%v says %q", c.args, r.Err)
		}
	}
}

func lastLine(s string) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return lines[len(lines)-1]
}

func TestSecondAgentIsToldWhoHoldsTheStore(t *testing.T) {
	db := agenttest.DB(t)
	agenttest.Start(t, db, nil)
	r := agenttest.Run(t, cli.Env{}, "serve", "--db", db, "--http-listen", "127.0.0.1:0")
	assert.Equal(t, cli.ExitFailed, r.Code)
	assert.Contains(t, r.Err, "another agent has the database open")
}

// A person on a terminal is asked, and asked again after a wrong answer.
func TestLogAsksOnATerminal(t *testing.T) {
	db := agenttest.DB(t)
	answers := []string{"K-07", "", "", "", "Ines Varga", "", "many", "1840", "cleaned", "", "dirty"}
	r := agenttest.Run(t, cli.Env{Terminal: true, Stdin: strings.NewReader(strings.Join(answers, "\n") + "\n")}, "log", "service", "--db", db)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Contains(t, r.Err, "arc_count is \"many\": it must be a whole number")
	assert.Contains(t, r.Err, "action (what was done to the pair; required: cleaned, replaced, inspected): ")
	r = agenttest.Run(t, cli.Env{}, "export", "--db", db)
	assert.Contains(t, r.Out, `"machine":"K-07","operator":"Ines Varga","time":"2026-03-02T18:00:00Z","arc_count":1840,"action":"cleaned","finding":"dirty"`)

	r = agenttest.Run(t, cli.Env{Terminal: true, Stdin: strings.NewReader("K-07\n")}, "log", "usage", "--db", db)
	assert.Equal(t, cli.ExitFailed, r.Code, "the person went away")
	assert.Contains(t, r.Err, "nothing was logged")
}

func TestProgressOnATerminalOnly(t *testing.T) {
	file := filepath.Join(t.TempDir(), "in.jsonl")
	var b strings.Builder
	for i := range 3 * 4096 {
		fmt.Fprintf(&b, `{"type":"usage","machine":"K-07","arc_count":%d,"id":"u%d"}`+"\n", i, i)
	}
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o600))
	r := agenttest.Run(t, cli.Env{Terminal: true}, "import", "--db", agenttest.DB(t), file)
	assert.Contains(t, r.Err, "\r4,096 records …")
	assert.Contains(t, r.Out, "12,288 records: 12,288 taken")
	r = agenttest.Run(t, cli.Env{}, "import", "--db", agenttest.DB(t), file)
	assert.Empty(t, r.Err)
}

func TestEveryCommandHasHelpAndAnExample(t *testing.T) {
	walk(cli.RootCommand(cli.Env{}), func(c *cobra.Command) {
		assert.NotEmpty(t, c.Short, c.CommandPath())
		assert.Contains(t, c.Example, "arcdrift ", c.CommandPath())
	})
}

func walk(c *cobra.Command, visit func(*cobra.Command)) {
	visit(c)
	for _, sub := range c.Commands() {
		walk(sub, visit)
	}
}

// TestDocumentedExamplesRun runs every example of every command's help, in a
// shell, on files of the names they use.
func TestDocumentedExamplesRun(t *testing.T) {
	dir := t.TempDir()
	for name, content := range map[string]string{
		"results.jsonl":   `{"type":"calibration","machine":"K-07","operator":"Ines Varga","time":"2026-03-01T07:45:00Z","passed":true}` + "\n" + `{"type":"splice","machine":"K-07","time":"2026-03-01T15:45:00Z","count":12,"job":"J-114"}`,
		"results.csv":     "type,machine,time,passed\ncalibration,K-07,2026-03-01T07:45:00Z,true\n",
		"bench.csv":       "type;machine;time;action\nservice;K-07;2026-03-01T09:45:00Z;cleaned\n",
		"bench.json":      `{"name":"Bench log","dates":"dd.mm.yyyy","zone":"Europe/Berlin","clock":"07:30","columns":[{"heading":"Machine","field":"machine"},{"heading":"Day","field":"date"},{"heading":"Result","field":"passed","words":{"good":"true"}}],"constants":{"type":"calibration"}}`,
		"Bench log.csv":   "Machine;Day;Result\nE-04;02.03.2026;good\n",
		"questions.jsonl": `{"machine":"K-07","temperature_c":4,"humidity_pct":85,"altitude_m":2400}`,
		"arcdrift.toml":   "host = [\"yard.example\"]\n",
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600))
	}
	require.Equal(t, cli.ExitDone, agenttest.Run(t, cli.Env{}, "import", "--db", filepath.Join(dir, "arcdrift.db"), filepath.Join(dir, "results.jsonl")).Code)
	walk(cli.RootCommand(cli.Env{}), func(c *cobra.Command) {
		for line := range strings.Lines(c.Example) {
			line = strings.NewReplacer("/etc/", dir+"/", ":1883", ":0").Replace(strings.TrimSpace(line))
			cmd := exec.Command("sh", "-c", "exec "+line)
			if strings.Contains(line, "|") {
				cmd = exec.Command("sh", "-c", line)
			}
			cmd.Dir = dir
			cmd.Env = append(os.Environ(), "ARCDRIFT_HTTP_LISTEN=127.0.0.1:0", "TMPDIR="+dir)
			if c.Name() == "serve" || c.Name() == "demo" && !strings.Contains(line, "--answers") {
				runUntilItServes(t, cmd)
				continue
			}
			out, err := cmd.CombinedOutput()
			assert.NoError(t, err, "%s\n%s", line, out)
		}
	})
}

// runUntilItServes starts a command that serves, waits until it does, and ends
// it as Ctrl-C would.
func runUntilItServes(t *testing.T, cmd *exec.Cmd) {
	t.Helper()
	log := &agenttest.Buffer{}
	cmd.Stdout, cmd.Stderr = log, log
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool {
		return strings.Contains(log.String(), "pages on http://") || strings.Contains(log.String(), "Stop it with Ctrl-C")
	}, agenttest.Patience, 10*time.Millisecond, "%v says %s", cmd.Args, log)
	require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
	require.NoError(t, cmd.Wait(), "%v says %s", cmd.Args, log)
}

// The demo runs from nothing, on a clock of its own, and leaves nothing behind.
func TestDemo(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	out, log := &agenttest.Buffer{}, &agenttest.Buffer{}
	done := make(chan int, 1)
	go func() {
		done <- cli.Run(ctx, cli.Env{Program: "/tmp/go-build1/arcdrift", Args: []string{"demo", "--http-listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:0"},
			Stdout: out, Stderr: log, Now: time.Now})
	}()
	require.Eventually(t, func() bool { return strings.Count(log.String(), "calibration passed") >= 2 }, agenttest.Patience, 10*time.Millisecond, "live records")
	for _, say := range []string{"K-07 is wearing out", "M-02 has a blunt cleaver", "K-03 drove up a mountain", "K-05 has been silent for six days", "M-03 reports pass or fail only", "go run ./cmd/arcdrift site-check", "curl 'http://127.0.0.1:"} {
		assert.Contains(t, out.String(), say)
	}
	db, err := filepath.Glob(filepath.Join(os.TempDir(), "arcdrift-demo-*", "demo.db"))
	require.NoError(t, err)
	require.Len(t, db, 1)
	r := agenttest.Run(t, cli.Env{}, "assess", "--db", db[0])
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Contains(t, r.Out, "K-07")
	cancel()
	assert.Equal(t, cli.ExitDone, <-done)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left)
}

// What the manual shows of the demo is made by a command, so that it does not age.
func TestDemoAnswers(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	r := agenttest.Run(t, cli.Env{}, "demo", "--answers")
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	for _, says := range []string{"$ arcdrift assess\nSTATE ", "$ arcdrift assess --machine M-02\nM-02: ", "\nK-03: Recalibrate now.\n", "\nK-03: Wait ", "$ arcdrift spares\nDEPOT "} {
		assert.Contains(t, r.Out, says)
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}

// A demo whose reader has enough, as head has, leaves nothing behind either. Before,
// the closed pipe killed it and its store stayed.
func TestDemoWhosePipeCloses(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.Command("arcdrift", "demo", "--http-listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:0")
	cmd.Env = append(os.Environ(), "TMPDIR="+dir)
	pipe, err := cmd.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	_, err = pipe.Read(make([]byte, 1))
	require.NoError(t, err)
	made, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.NotEmpty(t, made)
	require.NoError(t, pipe.Close())
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case <-ended:
	case <-time.After(5 * time.Minute):
		_ = cmd.Process.Kill()
		require.Fail(t, "it goes on for nobody")
	}
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Empty(t, left)
}

// What could be known when rests on the arrival, so an export brings it along.
func TestImportedExportKeepsItsArrival(t *testing.T) {
	first, second := agenttest.DB(t), agenttest.DB(t)
	require.Equal(t, cli.ExitDone, agenttest.Run(t, cli.Env{}, "log", "usage", "--db", first, "--machine", "K-07", "--arc-count", "5").Code)
	file := filepath.Join(t.TempDir(), "all.jsonl")
	exported := agenttest.Run(t, cli.Env{}, "export", "--db", first).Out
	require.NoError(t, os.WriteFile(file, []byte(exported), 0o600))
	later := cli.Env{Now: func() time.Time { return agenttest.Now.AddDate(0, 1, 0) }}
	require.Equal(t, cli.ExitDone, agenttest.Run(t, later, "import", "--db", second, file).Code)
	assert.Contains(t, agenttest.Run(t, later, "export", "--db", second).Out, `"received":"2026-03-02T18:00:00Z"`)
}

func TestVerifyNamesTheFirstBadEntry(t *testing.T) {
	db := agenttest.DB(t)
	file := filepath.Join(t.TempDir(), "in.jsonl")
	var b strings.Builder
	for i := range 20 {
		fmt.Fprintf(&b, `{"type":"usage","machine":"K-07","arc_count":%d,"id":"u%d","site":"mark-%d."}`+"\n", i, i, i)
	}
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o600))
	require.Equal(t, cli.ExitDone, agenttest.Run(t, cli.Env{}, "import", "--db", db, file).Code)
	raw, err := os.ReadFile(db)
	require.NoError(t, err)
	at := bytes.LastIndex(raw, []byte("mark-12."))
	require.Positive(t, at)
	raw[at] ^= 1
	require.NoError(t, os.WriteFile(db, raw, 0o600))

	r := agenttest.Run(t, cli.Env{}, "verify", "--db", db)
	assert.Equal(t, cli.ExitFailed, r.Code)
	assert.Contains(t, r.Out, "1 wrong: 20 records of 1 machine")
	assert.Contains(t, r.Err, "machine K-07, entry 1/13")
	r = agenttest.Run(t, cli.Env{}, "verify", "--db", db, "--format", "json")
	assert.Contains(t, r.Out, `"wrong":1,"first":"machine K-07, entry 1/13`)
	copied := filepath.Join(t.TempDir(), "copy.db")
	r = agenttest.Run(t, cli.Env{}, "backup", "--db", db, copied)
	assert.Equal(t, cli.ExitFailed, r.Code, "no backup is made of a store that is not sound")
	assert.NoFileExists(t, copied)
	r = agenttest.Run(t, cli.Env{}, "restore", "--db", agenttest.DB(t), db)
	assert.Equal(t, cli.ExitFailed, r.Code)
	assert.Contains(t, r.Err, "entry 1/13")
}
