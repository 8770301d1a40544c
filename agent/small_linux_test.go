package agent_test

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/cli"
	"arcdrift/agent/intake"
	"arcdrift/drift/synth"
)

// The small computer of a yard: so much memory, and a quarter of one core.
const (
	smallMemory = 64 << 20
	smallQuota  = 25_000 // µs of every
	smallPeriod = 100_000
)

// confine makes a control group that is the small computer, of the first or of
// the second kind, and returns the files that take processes into it. Where the
// system lets nobody make one there are none: then memory is measured only.
func confine(t *testing.T) (procs []string) {
	t.Helper()
	limited := func(dir string, limits map[string]string) bool {
		if os.Mkdir(dir, 0o755) != nil {
			return false
		}
		t.Cleanup(func() { assert.NoError(t, os.Remove(dir)) })
		for file, limit := range limits {
			require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte(limit), 0o644))
		}
		procs = append(procs, filepath.Join(dir, "cgroup.procs"))
		return true
	}
	const root = "/sys/fs/cgroup"
	name := "arcdrift-small-" + strconv.Itoa(os.Getpid())
	if controllers, err := os.ReadFile(filepath.Join(root, "cgroup.subtree_control")); err == nil {
		if strings.Contains(string(controllers), "memory") && strings.Contains(string(controllers), "cpu") {
			limited(filepath.Join(root, name), map[string]string{
				"memory.max": strconv.Itoa(smallMemory), "cpu.max": strconv.Itoa(smallQuota) + " " + strconv.Itoa(smallPeriod),
			})
		}
		return procs
	}
	if limited(filepath.Join(root, "memory", name), map[string]string{"memory.limit_in_bytes": strconv.Itoa(smallMemory)}) {
		limited(filepath.Join(root, "cpu", name), map[string]string{"cpu.cfs_period_us": strconv.Itoa(smallPeriod), "cpu.cfs_quota_us": strconv.Itoa(smallQuota)})
	}
	return procs
}

// yearOf makes a store of so many machines' year.
func yearOf(t *testing.T, db string, machines int) {
	t.Helper()
	world, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	var offers []intake.Submission
	for _, r := range synth.Make(world, 1, machines, time.Now().UTC().AddDate(-1, 0, 0), 364).Records {
		offers = append(offers, intake.Submission{Record: r, Via: "import"})
	}
	agenttest.Fill(t, db, offers)
}

// smallAgent is the agent on the small computer.
type smallAgent struct {
	cmd          *exec.Cmd
	url          string
	said         *agenttest.Buffer
	up, answered time.Duration
}

// startSmall starts it in control groups and waits until it has all answers.
func startSmall(t *testing.T, procs []string, program, db string) *smallAgent {
	t.Helper()
	args := append([]string{"-c", `for f; do echo $$ >"$f" || exit 1; done; exec "$AGENT" serve --db "$DB" --http-listen 127.0.0.1:0`, "sh"}, procs...)
	a := &smallAgent{cmd: exec.Command("sh", args...), said: &agenttest.Buffer{}}
	a.cmd.Env = append(os.Environ(), "AGENT="+program, "DB="+db)
	a.cmd.Stderr = a.said
	began := time.Now()
	require.NoError(t, a.cmd.Start())
	a.url = agenttest.Await(t, db)
	a.up = time.Since(began)
	require.Eventually(t, func() bool { return a.status(t, "/readyz") == http.StatusOK }, 5*time.Minute, 10*time.Millisecond, "%s", a.said)
	a.answered = time.Since(began)
	return a
}

func (a *smallAgent) status(t *testing.T, path string) int {
	resp, err := http.Get(a.url + path)
	if err != nil {
		return 0
	}
	require.NoError(t, resp.Body.Close())
	return resp.StatusCode
}

func (a *smallAgent) stop(t *testing.T) {
	require.NoError(t, a.cmd.Process.Signal(os.Interrupt))
	require.NoError(t, a.cmd.Wait(), "%s", a.said)
}

// On the small computer, with 50 machines and a year of history, the agent
// starts, answers and takes records, at first and again, and then from what it
// kept; and it is never out of memory. The program is built as it is shipped:
// under the race detector it would not be itself.
func TestSmallComputer(t *testing.T) {
	const machines = 50
	dir := t.TempDir()
	db, program := filepath.Join(dir, "arcdrift.db"), filepath.Join(dir, "arcdrift")
	build := exec.Command("go", "build", "-tags=nethttpomithttp2", "-trimpath", "-ldflags=-s -w", "-o", program, "arcdrift/cmd/arcdrift")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	yearOf(t, db, machines)
	procs := confine(t)
	for _, start := range []string{"first", "second"} {
		a := startSmall(t, procs, program, db)
		assert.Equal(t, http.StatusOK, a.status(t, "/"))
		assert.Equal(t, http.StatusCreated, agenttest.PostStatus(t.Context(), a.url, `{"type":"usage","machine":"M-00001","time":"`+time.Now().UTC().Format(time.RFC3339Nano)+`","arc_count":1}`))
		assert.Equal(t, machines, strings.Count(agenttest.Run(t, cli.Env{}, "assess", "--db", db, "--format", "json").Out, `"machine":`))
		own, most := memoryOf(t, a.cmd.Process.Pid)
		a.stop(t)
		t.Logf("%s start, confined: %v; up after %s, all answers after %s; %.1f MiB of its own, %.1f MiB at most", start, len(procs) > 0, a.up, a.answered, own, most)
		assert.Less(t, own, float64(smallMemory>>20))
	}
}

// memoryOf is a process's own memory now and the most it was resident in, pages
// of files included, in MiB.
func memoryOf(t *testing.T, pid int) (own, most float64) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(pid), "status"))
	require.NoError(t, err)
	figure := func(name string) float64 {
		_, rest, ok := strings.Cut(string(raw), name+":")
		require.True(t, ok, name)
		kib, err := strconv.ParseFloat(strings.Fields(rest)[0], 64)
		require.NoError(t, err)
		return kib / 1024
	}
	return figure("RssAnon"), figure("VmHWM")
}
