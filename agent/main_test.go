package agent

import (
	"bytes"
	"context"
	"io"
	"os"
	"os/exec"
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

	"arcdrift/agent/intake"
)

// scriptMoment is now in the scenarios, so that their answers stay the same.
var scriptMoment = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// TestMain makes the program a command of the scenarios, and looks for
// goroutines left behind.
func TestMain(m *testing.M) {
	testscript.Main(leaks{m}, map[string]func(){
		"dies":    func() { panic("a page is corrupt") },
		"killed":  func() { _ = syscall.Kill(os.Getpid(), syscall.SIGKILL) },
		"ended":   func() { _ = syscall.Kill(os.Getpid(), syscall.SIGTERM); select {} },
		"starved": func() { os.Stderr.WriteString("fatal error: runtime: out of memory\n"); os.Exit(2) },
		"mute":    func() {},
		"arcdrift": func() {
			ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
			code := Run(ctx, Env{
				Program: "arcdrift", Args: os.Args[1:], Environ: withoutFaults(),
				Stdin: os.Stdin, Stdout: os.Stdout, Stderr: os.Stderr,
				Hangups: func() <-chan os.Signal {
					signal.Ignore(syscall.SIGPIPE)
					hangups := make(chan os.Signal, 1)
					signal.Notify(hangups, syscall.SIGHUP)
					return hangups
				},
				Now: func() time.Time { return scriptMoment },
			})
			stop()
			os.Exit(code)
		},
	})
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

// TestALeakIsFound is the control of that.
func TestALeakIsFound(t *testing.T) {
	end, left := make(chan struct{}), make(chan struct{})
	go func() {
		<-end
		close(left)
	}()
	require.ErrorContains(t, goleak.Find(), "TestALeakIsFound")
	close(end)
	<-left
}

// result is what one command said.
type result struct {
	code        int
	answer, say string
}

// cli runs one command line in this process.
func cli(t *testing.T, env Env, args ...string) result {
	t.Helper()
	var out, talk bytes.Buffer
	// The check of a store runs this binary again, as the program.
	env.Program, env.Args, env.Stdout, env.Stderr = "arcdrift", args, &out, &talk
	if env.Stdin == nil {
		env.Stdin = strings.NewReader("")
	}
	if env.Now == nil {
		env.Now = func() time.Time { return scriptMoment }
	}
	code := Run(t.Context(), env)
	return result{code, out.String(), talk.String()}
}

// tempDB is a path for a store.
func tempDB(t *testing.T) string {
	t.Helper()
	return filepath.Join(t.TempDir(), "arcdrift.db")
}

// fill puts records into a store that nobody holds.
func fill(t *testing.T, db string, offers []intake.Submission) {
	t.Helper()
	l, err := openLocal(t.Context(), Env{Now: time.Now, Stderr: io.Discard}, db)
	require.NoError(t, err)
	_, err = l.Take(t.Context(), offers)
	require.NoError(t, err)
	require.NoError(t, l.Close())
}

// lockedBuffer takes a log from several goroutines.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// startServer runs an agent on free ports in this process, at scriptMoment.
func startServer(t *testing.T, db string, change func(*Config)) (s *server, log *lockedBuffer, stop func()) {
	t.Helper()
	return startServerAt(t, db, func() time.Time { return scriptMoment }, change)
}

// startServerAt runs it with a clock.
func startServerAt(t *testing.T, db string, now func() time.Time, change func(*Config)) (s *server, log *lockedBuffer, stop func()) {
	t.Helper()
	raw := defaults()
	raw.httpListen, raw.mqttListen = "127.0.0.1:0", "127.0.0.1:0"
	config, err := raw.valid(db)
	require.NoError(t, err)
	if change != nil {
		change(&config)
	}
	log = &lockedBuffer{}
	s, err = newServer(config, Env{Program: "arcdrift", Stderr: log, Now: now})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	require.Eventually(t, func() bool { _, err := os.Stat(addressFile(db)); return err == nil }, 10*time.Second, time.Millisecond)
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

// mosquittoPub publishes with the real client of another project.
func mosquittoPub(t *testing.T, port, topic string, payload []byte) {
	t.Helper()
	cmd := exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-t", topic, "-s")
	cmd.Stdin = bytes.NewReader(payload)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "mosquitto_pub: %s", out)
}
