package agenttest

import (
	"arcdrift/agent/cli"
	"arcdrift/agent/hub"
	"arcdrift/agent/intake"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// Now is the time in the tests' command lines and agents, so that their answers stay
// the same.
var Now = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// Main runs the tests of a package. It makes the program and some that die a command
// of theirs, and fails a run that leaves goroutines behind.
func Main(m *testing.M) {
	testscript.Main(leaks{m}, map[string]func(){
		"dies":     func() { panic("a page is corrupt") },
		"killed":   func() { _ = syscall.Kill(os.Getpid(), syscall.SIGKILL) },
		"ended":    func() { _ = syscall.Kill(os.Getpid(), syscall.SIGTERM); select {} },
		"starved":  func() { os.Stderr.WriteString("fatal error: runtime: out of memory\n"); os.Exit(2) },
		"mute":     func() {},
		"arcdrift": func() { carryOut(cli.Run, "arcdrift", func() time.Time { return Now }) },
		// The leases of a hub need a clock that goes.
		"arcdrift-hub": func() { carryOut(hub.Run, "arcdrift-hub", time.Now) },
	})
}

// carryOut is a program as main has it, but for its clock.
func carryOut(run func(context.Context, cli.Env) int, name string, now func() time.Time) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, cli.Env{
		Program: name, Args: os.Args[1:], Environ: withoutFaults(),
		Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr,
		Reloads: func() <-chan os.Signal {
			signal.Ignore(syscall.SIGPIPE)
			reloads := make(chan os.Signal, 1)
			signal.Notify(reloads, syscall.SIGHUP)
			return reloads
		},
		Now:  now,
		Zone: time.Local,
	})
	stop()
	os.Exit(code)
}

// withoutFaults is the environment without what is the tests' own.
func withoutFaults() []string {
	return slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "ARCDRIFT_FAULTS=") })
}

// leaks fails a run that leaves goroutines behind.
type leaks struct{ m *testing.M }

func (l leaks) Run() int {
	code := l.m.Run()
	// Who waits before it tries a broker again is not woken by a stop, and ends
	// within a minute.
	err := goleak.Find()
	for end := time.Now().Add(70 * time.Second); code == 0 && err != nil && time.Now().Before(end); {
		err = goleak.Find()
	}
	if code == 0 && err != nil {
		os.Stderr.WriteString(err.Error() + "\n")
		return 1
	}
	return code
}

// Result is what one command said.
type Result struct {
	Code     int
	Out, Err string
}

// Run runs one command line in this process.
func Run(t *testing.T, env cli.Env, args ...string) Result {
	t.Helper()
	var out, talk bytes.Buffer
	// The check of a store runs this binary again, as the program.
	env.Program, env.Args, env.Stdout, env.Stderr = "arcdrift", args, &out, &talk
	if env.Stdin == nil {
		env.Stdin = strings.NewReader("")
	}
	if env.Now == nil {
		env.Now = func() time.Time { return Now }
	}
	code := cli.Run(t.Context(), env)
	return Result{code, out.String(), talk.String()}
}

// DB is a path for a store.
func DB(t *testing.T) string {
	t.Helper()
	return filepath.Join(t.TempDir(), "arcdrift.db")
}

// Fill puts records into a store that nobody holds.
func Fill(t *testing.T, db string, offers []intake.Submission) {
	t.Helper()
	l, err := reach.Location{Path: db, Now: time.Now, Log: io.Discard}.Open(t.Context(), true)
	require.NoError(t, err)
	_, err = l.Take(t.Context(), offers)
	require.NoError(t, err)
	require.NoError(t, l.Close())
}

// Start runs an agent on free ports in this process, at Now.
func Start(t *testing.T, db string, change func(*server.Config)) (s *server.Server, log *Buffer, stop func()) {
	t.Helper()
	return StartAt(t, db, func() time.Time { return Now }, change)
}

// StartAt runs it with a clock.
func StartAt(t *testing.T, db string, now func() time.Time, change func(*server.Config)) (s *server.Server, log *Buffer, stop func()) {
	t.Helper()
	return StartOn(t, db, nil, now, change)
}

// StartOn runs it on the store of an engine, nil for a file.
func StartOn(t *testing.T, db string, engine reach.Engine, now func() time.Time, change func(*server.Config)) (s *server.Server, log *Buffer, stop func()) {
	t.Helper()
	config := Settings(t, db, func(s *server.Settings) { s.HTTPListen, s.MQTTListen = "127.0.0.1:0", "127.0.0.1:0" })
	if change != nil {
		change(&config)
	}
	log = &Buffer{}
	s, err := server.New(config, server.Env{Program: "arcdrift", Log: log, Now: now, Engine: engine})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	require.Eventually(t, func() bool { _, err := os.Stat(reach.AddressFile(db)); return err == nil }, 10*time.Second, time.Millisecond)
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			require.NoError(t, <-done)
		})
	}
	t.Cleanup(stop)
	return s, log, stop
}

// FilledStore is a closed store of n records.
func FilledStore(t *testing.T, n int) string {
	t.Helper()
	db := DB(t)
	var lines strings.Builder
	for i := range n {
		fmt.Fprintf(&lines, `{"type":"usage","machine":"K-0%d","id":"%d","arc_count":%d,"time":"2026-03-01T07:45:00Z"}`+"\n", i%7, i, i)
	}
	r := Run(t, cli.Env{Stdin: strings.NewReader(lines.String())}, "import", "--db", db, "-")
	require.Zero(t, r.Code, r.Err)
	return db
}

// Settings is the configuration of an agent whose settings differ from the defaults.
func Settings(t *testing.T, db string, change func(*server.Settings)) server.Config {
	t.Helper()
	s := server.Defaults()
	change(&s)
	config, err := s.Config(db)
	require.NoError(t, err)
	return config
}

// Path is a file of the module by its path from the root.
func Path(t testing.TB, path string) string {
	t.Helper()
	root, err := os.Getwd()
	require.NoError(t, err)
	for {
		if _, err := os.Stat(filepath.Join(root, "go.mod")); err == nil {
			return filepath.Join(root, filepath.FromSlash(path))
		}
		require.NotEqual(t, root, filepath.Dir(root), "not inside the module")
		root = filepath.Dir(root)
	}
}
