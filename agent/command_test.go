package agent

import (
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

	"arcdrift/agent/mqtt"
	"arcdrift/agent/web"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

func TestExitCodes(t *testing.T) {
	db := tempDB(t)
	file := filepath.Join(t.TempDir(), "in.jsonl")
	require.NoError(t, os.WriteFile(file, []byte(`{"type":"usage","machine":"K-07","arc_count":5,"id":"a"}`), 0o600))
	bad := filepath.Join(t.TempDir(), "bad.jsonl")
	require.NoError(t, os.WriteFile(bad, []byte(`{"type":"usage","machine":"K-07"}`), 0o600))
	for _, c := range []struct {
		want int
		args []string
	}{
		{exitDone, []string{"import", "--db", db, file}},
		{exitDone, []string{"assess", "--db", db}},
		{exitDone, []string{"version"}},
		{exitDone, []string{"help", "assess"}},
		{exitDone, nil},
		{exitFailed, []string{"import", "--db", db, file + "x"}},
		{exitFailed, []string{"assess", "--db", db + "x"}},
		{exitFailed, []string{"assess", "--db", db, "--machine", "K-99"}},
		{exitFailed, []string{"import", "--db", filepath.Join(file, "x.db"), file}},
		{exitUsage, []string{"bake"}},
		{exitUsage, []string{"import"}},
		{exitUsage, []string{"assess", "everything"}},
		{exitUsage, []string{"assess", "--no-such-flag"}},
		{exitUsage, []string{"assess", "--as-of", "noon"}},
		{exitUsage, []string{"log", "usage", "--machine", "K-07", "--db", db}},
		{exitUsage, []string{"serve", "--http-listen", "0.0.0.0:0"}},
		{exitUsage, []string{"serve", "--mqtt-listen", "here"}},
		{exitRefused, []string{"import", "--db", db, bad}},
	} {
		r := cli(t, Env{}, c.args...)
		assert.Equal(t, c.want, r.code, "%v: %s", c.args, r.say)
		if c.want != exitDone {
			assert.True(t, strings.HasPrefix(lastLine(r.say), "arcdrift: "), "%v says %q", c.args, r.say)
		}
	}
}

func lastLine(s string) string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	return lines[len(lines)-1]
}

func TestSecondAgentIsToldWhoHoldsTheStore(t *testing.T) {
	db := tempDB(t)
	startServer(t, db, nil)
	r := cli(t, Env{}, "serve", "--db", db, "--http-listen", "127.0.0.1:0")
	assert.Equal(t, exitFailed, r.code)
	assert.Contains(t, r.say, "another agent has the database open")
}

// A person on a terminal is asked, and asked again after a wrong answer.
func TestLogAsksOnATerminal(t *testing.T) {
	db := tempDB(t)
	answers := []string{"K-07", "", "", "", "Ines Varga", "", "many", "1840", "cleaned", "", "dirty"}
	r := cli(t, Env{Terminal: true, Stdin: strings.NewReader(strings.Join(answers, "\n") + "\n")}, "log", "service", "--db", db)
	require.Equal(t, exitDone, r.code, r.say)
	assert.Contains(t, r.say, "arc_count is \"many\": it must be a whole number")
	assert.Contains(t, r.say, "action (what was done to the pair; required: cleaned, replaced, inspected): ")
	r = cli(t, Env{}, "export", "--db", db)
	assert.Contains(t, r.answer, `"machine":"K-07","operator":"Ines Varga","time":"2026-03-02T18:00:00Z","arc_count":1840,"action":"cleaned","finding":"dirty"`)

	r = cli(t, Env{Terminal: true, Stdin: strings.NewReader("K-07\n")}, "log", "usage", "--db", db)
	assert.Equal(t, exitFailed, r.code, "the person went away")
	assert.Contains(t, r.say, "nothing was logged")
}

func TestProgressOnATerminalOnly(t *testing.T) {
	file := filepath.Join(t.TempDir(), "in.jsonl")
	var b strings.Builder
	for i := range 3 * importGroup {
		fmt.Fprintf(&b, `{"type":"usage","machine":"K-07","arc_count":%d,"id":"u%d"}`+"\n", i, i)
	}
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o600))
	r := cli(t, Env{Terminal: true}, "import", "--db", tempDB(t), file)
	assert.Contains(t, r.say, "\r4096 records …")
	assert.Contains(t, r.answer, "12288 records: 12288 taken")
	r = cli(t, Env{}, "import", "--db", tempDB(t), file)
	assert.Empty(t, r.say)
}

func TestEveryCommandHasHelpAndAnExample(t *testing.T) {
	walk(rootCommand(Env{}), func(c *cobra.Command) {
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
		"results.jsonl":   `{"type":"calibration","machine":"K-07","operator":"Ines Varga","time":"2026-03-01T07:45:00Z","passed":true}`,
		"results.csv":     "type,machine,time,passed\ncalibration,K-07,2026-03-01T07:45:00Z,true\n",
		"bench.csv":       "type;machine;time;action\nservice;K-07;2026-03-01T09:45:00Z;cleaned\n",
		"questions.jsonl": `{"machine":"K-07","temperature_c":4,"humidity_pct":85,"altitude_m":2400}`,
		"arcdrift.toml":   "host = [\"yard.example\"]\n",
	} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600))
	}
	require.Equal(t, exitDone, cli(t, Env{}, "import", "--db", filepath.Join(dir, "arcdrift.db"), filepath.Join(dir, "results.jsonl")).code)
	walk(rootCommand(Env{}), func(c *cobra.Command) {
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
	log := &lockedBuffer{}
	cmd.Stdout, cmd.Stderr = log, log
	require.NoError(t, cmd.Start())
	require.Eventually(t, func() bool {
		return strings.Contains(log.String(), "pages on http://") || strings.Contains(log.String(), "Stop it with Ctrl-C")
	}, 60*time.Second, 10*time.Millisecond, "%v says %s", cmd.Args, log)
	require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
	require.NoError(t, cmd.Wait(), "%v says %s", cmd.Args, log)
}

// The demo runs from nothing, on a clock of its own, and leaves nothing behind.
func TestDemo(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	out, log := &lockedBuffer{}, &lockedBuffer{}
	done := make(chan int, 1)
	go func() {
		done <- Run(ctx, Env{Program: "/tmp/go-build1/arcdrift", Args: []string{"demo", "--http-listen", "127.0.0.1:0", "--mqtt-listen", "127.0.0.1:0"},
			Stdout: out, Stderr: log, Now: time.Now})
	}()
	require.Eventually(t, func() bool { return strings.Count(log.String(), "calibration passed") >= 2 }, 120*time.Second, 10*time.Millisecond, "live records")
	for _, say := range []string{"K-07 is wearing out", "M-02 has a blunt cleaver", "K-03 drove up a mountain", "K-05 has been silent for six days", "M-03 tells pass or fail only", "go run ./cmd/arcdrift site-check", "curl 'http://127.0.0.1:"} {
		assert.Contains(t, out.String(), say)
	}
	db, err := filepath.Glob(filepath.Join(os.TempDir(), "arcdrift-demo-*", "demo.db"))
	require.NoError(t, err)
	require.Len(t, db, 1)
	r := cli(t, Env{}, "assess", "--db", db[0])
	require.Equal(t, exitDone, r.code, r.say)
	assert.Contains(t, r.answer, "K-07")
	cancel()
	assert.Equal(t, exitDone, <-done)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left)
}

// What the manual shows of the demo is made by a command, so that it does not age.
func TestDemoAnswers(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	r := cli(t, Env{}, "demo", "--answers")
	require.Equal(t, exitDone, r.code, r.say)
	for _, says := range []string{"$ arcdrift assess\nSTATE ", "$ arcdrift assess --machine M-02\nM-02: ", "\nK-03: Recalibrate.\n", "\nK-03: Wait ", "$ arcdrift spares\nDEPOT "} {
		assert.Contains(t, r.answer, says)
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

func TestDemoClock(t *testing.T) {
	wall := scriptMoment
	c := clock{wall: func() time.Time { return wall }}
	wall = wall.Add(time.Minute)
	assert.Equal(t, wall, c.Now(), "ours, until it runs")
	c.run()
	began := wall
	wall = wall.Add(time.Second)
	assert.Equal(t, began.Add(demoSpeed*time.Second), c.Now())
	assert.Equal(t, time.Second/2, c.skip(c.Now().Add(demoSpeed*time.Second/2)), "soon: no jump")
	night := c.Now().Add(9 * time.Hour)
	assert.Equal(t, lull/demoSpeed, c.skip(night))
	assert.Equal(t, night.Add(-lull), c.Now())
}

// What could be known when rests on the arrival, so an export brings it along.
func TestImportedExportKeepsItsArrival(t *testing.T) {
	first, second := tempDB(t), tempDB(t)
	require.Equal(t, exitDone, cli(t, Env{}, "log", "usage", "--db", first, "--machine", "K-07", "--arc-count", "5").code)
	file := filepath.Join(t.TempDir(), "all.jsonl")
	exported := cli(t, Env{}, "export", "--db", first).answer
	require.NoError(t, os.WriteFile(file, []byte(exported), 0o600))
	later := Env{Now: func() time.Time { return scriptMoment.AddDate(0, 1, 0) }}
	require.Equal(t, exitDone, cli(t, later, "import", "--db", second, file).code)
	assert.Contains(t, cli(t, later, "export", "--db", second).answer, `"received":"2026-03-02T18:00:00Z"`)
}

func TestVerifyNamesTheFirstBadEntry(t *testing.T) {
	db := tempDB(t)
	file := filepath.Join(t.TempDir(), "in.jsonl")
	var b strings.Builder
	for i := range 20 {
		fmt.Fprintf(&b, `{"type":"usage","machine":"K-07","arc_count":%d,"id":"u%d","site":"mark-%d."}`+"\n", i, i, i)
	}
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o600))
	require.Equal(t, exitDone, cli(t, Env{}, "import", "--db", db, file).code)
	raw, err := os.ReadFile(db)
	require.NoError(t, err)
	at := bytes.LastIndex(raw, []byte("mark-12."))
	require.Positive(t, at)
	raw[at] ^= 1
	require.NoError(t, os.WriteFile(db, raw, 0o600))

	r := cli(t, Env{}, "verify", "--db", db)
	assert.Equal(t, exitFailed, r.code)
	assert.Contains(t, r.answer, "1 wrong: 20 records of 1 machine")
	assert.Contains(t, r.say, "machine K-07, entry 1/13")
	r = cli(t, Env{}, "verify", "--db", db, "--format", "json")
	assert.Contains(t, r.answer, `"wrong":1,"first":"machine K-07, entry 1/13`)
	copied := filepath.Join(t.TempDir(), "copy.db")
	r = cli(t, Env{}, "backup", "--db", db, copied)
	assert.Equal(t, exitFailed, r.code, "no backup is made of a store that is not sound")
	assert.NoFileExists(t, copied)
	r = cli(t, Env{}, "restore", "--db", tempDB(t), db)
	assert.Equal(t, exitFailed, r.code)
	assert.Contains(t, r.say, "entry 1/13")
}

// The datagrams of sd_notify(3), as a service manager would receive them.
func TestServiceManagerIsTold(t *testing.T) {
	socket, hears := listenAsManager(t)
	s := newSystemd([]string{"HOME=/", "NOTIFY_SOCKET=" + socket, "WATCHDOG_USEC=20000"}, func() error { return nil })
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	assert.Equal(t, "READY=1", hears())
	assert.Equal(t, "WATCHDOG=1", hears())
	assert.Equal(t, "WATCHDOG=1", hears())
	cancel()
	said := hears()
	for said == "WATCHDOG=1" {
		said = hears()
	}
	assert.Equal(t, "STOPPING=1", said)
	require.NoError(t, <-done)
}

// fakeFace takes messages, or does not.
type fakeFace struct {
	got  []mqtt.Message
	away error
}

func (f *fakeFace) String() string { return "fake" }

func (f *fakeFace) Publish(m mqtt.Message) error {
	if f.away == nil {
		f.got = append(f.got, m)
	}
	return f.away
}

func TestStatesAreToldWhenTheyDiffer(t *testing.T) {
	board := []web.Machine{
		{Assessment: advise.Assessment{Machine: "K-07", AsOf: scriptMoment, State: advise.Fit}},
		{Assessment: advise.Assessment{Machine: "K-08", AsOf: scriptMoment, State: advise.Fit}},
	}
	face, told := &fakeFace{away: fmt.Errorf("no broker")}, map[string][]byte{}
	require.Error(t, tellStates(board, face, told))
	face.away = nil
	require.NoError(t, tellStates(board, face, told))
	require.Len(t, face.got, 2, "what could not be told is told later")
	assert.Equal(t, "arcdrift/v1/K-07/state", face.got[0].Topic)
	assert.True(t, face.got[0].Retain)
	board[0].AsOf = scriptMoment.Add(time.Minute)
	board[1].State = advise.Stop
	require.NoError(t, tellStates(board, face, told))
	require.Len(t, face.got, 3, "only a moment is no news")
	assert.Contains(t, string(face.got[2].Payload), `"state":"stop"`)
}

func TestAssessText(t *testing.T) {
	known := drift.Some[float64]
	all := []advise.Assessment{{
		Machine: "K-07", AsOf: scriptMoment, State: advise.ServiceSoon, Reasons: []string{"Needs more power every day.", "Half of it since Monday."},
		Data:  advise.Data{Grade: advise.Full, Records: 412, Last: drift.Some(scriptMoment)},
		Drift: advise.Drift{RequiredPower: known(4.1), SD: known(0.4), Per1000Arcs: known(3.3), Per1000ArcsSD: known(0.5)},
		Electrode: advise.Electrode{Arcs: drift.Some(int64(1840)), ToFailure: &advise.Quantiles{P10: 220, P50: 610, P90: 6000}, HorizonArcs: 6000,
			Action: advise.Clean, ActBy: drift.Some("2026-03-05")},
		Streak: advise.Streak{Attempts: 2, Cause: []advise.Cause{{Cause: advise.CauseEnds, Probability: 0.7}}},
	}, {Machine: "K-01", AsOf: scriptMoment, State: advise.Fit, Electrode: advise.Electrode{Action: advise.None}}}

	var table strings.Builder
	require.NoError(t, assessTable(&table, all))
	assert.Contains(t, table.String(), "Service soon  K-07     +4.1 ± 0.5 %    610 (220 to over 6000)  2 Mar 2026 18:00  Needs more power every day.\n")
	assert.Contains(t, table.String(), "Fit           K-01     –")
	assert.Contains(t, table.String(), "Power off and unplugged", "where somebody may open a machine, the cautions stand")

	var one strings.Builder
	require.NoError(t, assessOne(&one, &all[0]))
	for _, say := range []string{"K-07: service soon", "Half of it since Monday.", "+3.3 ± 0.6 %", "Clean the electrodes by Thu 5 Mar.", "Failing because of ends: 70 in 100", "Power off and unplugged"} {
		assert.Contains(t, one.String(), say)
	}
	one.Reset()
	require.NoError(t, assessOne(&one, &all[1]))
	assert.NotContains(t, one.String(), "unplugged")

	var csv strings.Builder
	require.NoError(t, assessCSV(&csv, all))
	lines := strings.Split(strings.TrimSpace(csv.String()), "\n")
	require.Len(t, lines, 3)
	assert.Equal(t, "K-07,,2026-03-02T18:00:00Z,service-soon,Needs more power every day. Half of it since Monday.,full,412,2026-03-02T18:00:00Z,0,4.1,0.4,3.3,0.5,,,,2,0,1840,,220,610,6000,clean,2026-03-05,,,", lines[1])

	for x, text := range map[float64]string{3.24: "+3.2", -3.26: "-3.3", 0.04: "0.0", -0.04: "0.0"} {
		assert.Equal(t, text, signed(x), "no sign before a nought")
	}

	var none strings.Builder
	require.NoError(t, assessTable(&none, nil))
	assert.Contains(t, none.String(), "No machine is known yet")
}

func TestSiteCheckText(t *testing.T) {
	known := drift.Some[float64]
	a := advise.MoveAnswer{Machine: "K-07", AsOf: scriptMoment, Answer: advise.Wait, WaitMinutes: drift.Some(25), Reasons: []string{"It is colder than the air's dew point."},
		ProbabilityOut: known(0.63), ExpectedShift: known(3.2), SD: known(0.9), DewPoint: known(9.1), Evidence: advise.ThisMachine, Cost: advise.Cost{CheckMinutes: 5, OutMinutes: 60}}
	var b strings.Builder
	require.NoError(t, siteText(&b, &a))
	assert.Equal(t, `K-07: Wait 25 minutes, then recalibrate.
  It is colder than the air's dew point.
  The air changes the required power by +3.2 ± 1.2 %, 8 times in 10.
  Dew point 9.1 °C.
`, b.String())
	a.WaitMinutes = drift.Opt[int]{}
	b.Reset()
	require.NoError(t, siteText(&b, &a))
	assert.Contains(t, b.String(), "Wait until the machine is dry and has the air's temperature, then recalibrate")
	for _, answer := range []advise.Answer{advise.Recalibrate, advise.NoNeed, advise.CannotTell} {
		assert.NotEmpty(t, answerWords[answer])
	}
}

func TestConfig(t *testing.T) {
	raw := func(change func(*rawConfig)) rawConfig {
		r := defaults()
		change(&r)
		return r
	}
	r := raw(func(r *rawConfig) { r.broker = "ssl://broker.example:8883" })
	c, err := r.valid("a.db")
	require.NoError(t, err)
	again, err := r.valid("a.db")
	require.NoError(t, err)
	other, err := r.valid("b.db")
	require.NoError(t, err)
	assert.Equal(t, c.Broker.ID, again.Broker.ID, "the client id must stay")
	assert.NotEqual(t, c.Broker.ID, other.Broker.ID, "two stores are two clients")

	secret := filepath.Join(t.TempDir(), "password")
	require.NoError(t, os.WriteFile(secret, []byte("open sesame\n"), 0o600))
	r = raw(func(r *rawConfig) {
		r.broker, r.user, r.passwordFile, r.clientID = "tcp://b:1883", "ines", secret, "yard"
	})
	c, err = r.valid("a.db")
	require.NoError(t, err)
	assert.Equal(t, mqtt.Join{URL: "tcp://b:1883", ID: "yard", User: "ines", Password: "open sesame"}, *c.Broker)

	for address, open := range map[string]bool{"127.0.0.1:1": false, "[::1]:1": false, "localhost:1": false, "0.0.0.0:1": true, ":1": true, "192.0.2.1:1": true, "yard.example:1": true} {
		r := raw(func(r *rawConfig) { r.httpListen = address })
		_, err := r.valid("a.db")
		assert.Equal(t, open, err != nil, address)
		r.open = true
		_, err = r.valid("a.db")
		assert.NoError(t, err, address)
	}
	for _, bad := range []func(*rawConfig){
		func(r *rawConfig) { r.httpListen = "8470" },
		func(r *rawConfig) { r.broker = "broker:1883" },
		func(r *rawConfig) { r.broker = "tcp://broker" },
		func(r *rawConfig) { r.broker = "tcp://ines:pw@broker:1883" },
		func(r *rawConfig) { r.broker, r.passwordFile = "tcp://b:1883", secret+"x" },
		func(r *rawConfig) { r.clientID = "yard" },
	} {
		r := raw(bad)
		_, err := r.valid("a.db")
		assert.ErrorAs(t, err, new(usageError))
	}
}
