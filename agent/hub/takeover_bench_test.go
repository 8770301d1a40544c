package hub_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/reach"
)

// BenchmarkTakeover kills one of two processes, posts an arc count of 200 machines to the
// other, and waits until it has answered for all of them. ARCDRIFT_TAKEOVER says of which
// fleets, as machines x arc counts of each. What it waits for is on the same computer as
// the database and both processes.
func BenchmarkTakeover(b *testing.B) {
	fleets := os.Getenv("ARCDRIFT_TAKEOVER")
	if fleets == "" {
		fleets = "2000x19"
	}
	for _, fleet := range strings.Split(fleets, ",") {
		b.Run(fleet, func(b *testing.B) {
			machines, counts := 0, 0
			_, err := fmt.Sscanf(fleet, "%dx%d", &machines, &counts)
			require.NoError(b, err)
			h := newHalves(b)
			h.fill(b, machines, counts)
			for b.Loop() {
				h.takeover(b, machines, counts)
			}
		})
	}
}

// halves are two processes of a hub, without a broker.
type halves struct {
	server *agenttest.Postgres
	dir    string
	sent   int
}

func newHalves(b *testing.B) *halves {
	server, err := agenttest.NewPostgres()
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, server.Stop()) })
	require.NoError(b, server.Do(b.Context(), "postgres", "create database hub"))
	return &halves{server: server, dir: b.TempDir()}
}

func (h *halves) command(args ...string) *exec.Cmd {
	cmd := exec.Command("arcdrift-hub", args...)
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + h.dir, "ARCDRIFT_DATABASE=" + h.server.URL("hub")}
	return cmd
}

// half is one of them.
type half struct {
	cmd *exec.Cmd
	url string
}

func (h *halves) start(b *testing.B, name string) *half {
	db := filepath.Join(h.dir, name)
	_ = os.Remove(db + ".agent") // of a process that was killed
	p := &half{cmd: h.command("serve", "--db", db, "--http-listen", "127.0.0.1:0", "--profile-listen", map[string]string{"one": "127.0.0.1:17161", "two": "127.0.0.1:17162"}[name])}
	talk, err := os.Create(db + ".log")
	require.NoError(b, err)
	b.Cleanup(func() {
		if raw, _ := os.ReadFile(talk.Name()); b.Failed() {
			b.Logf("%s: %s", name, raw)
		}
	})
	p.cmd.Stderr = talk
	require.NoError(b, p.cmd.Start())
	b.Cleanup(p.kill)
	wait(b, func() (ok bool) { p.url, ok = reach.RunningAgent(b.Context(), db); return ok })
	return p
}

// spent is the processor time of the process, in seconds.
func (p *half) spent(b *testing.B) float64 {
	raw, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.cmd.Process.Pid))
	require.NoError(b, err)
	fields := strings.Fields(string(raw[bytes.LastIndexByte(raw, ')')+1:]))
	user, _ := strconv.ParseFloat(fields[11], 64)
	system, _ := strconv.ParseFloat(fields[12], 64)
	return (user + system) / 100
}

func (p *half) kill() {
	_ = p.cmd.Process.Kill()
	_ = p.cmd.Wait() // it was killed, and says so
}

// wait waits without a bound but the benchmark's own.
func wait(b *testing.B, done func() bool) {
	b.Helper()
	for !done() {
		select {
		case <-b.Context().Done():
			b.Fatal("ended while waiting")
		case <-time.After(time.Second):
		}
	}
}

// got is an answer; "" while there is none.
func got(url string) string {
	resp, err := http.Get(url)
	if err != nil {
		return ""
	}
	raw, err := io.ReadAll(resp.Body)
	if errors.Join(err, resp.Body.Close()) != nil || resp.StatusCode != http.StatusOK {
		return ""
	}
	return string(raw)
}

func (p *half) metric(name string) float64 {
	for line := range strings.Lines(got(p.url + "/metrics")) {
		if n, is := strings.CutPrefix(line, name+" "); is {
			v, _ := strconv.ParseFloat(strings.TrimSpace(n), 64)
			return v
		}
	}
	return -1
}

// records is how many records of the machine the process's answer rests on.
func (p *half) records(machine string) int {
	var a struct {
		Data struct {
			Records int `json:"records"`
		} `json:"data"`
	}
	if json.Unmarshal([]byte(got(p.url+"/api/v1/machines/"+machine)), &a) != nil {
		return 0
	}
	return a.Data.Records
}

func (h *halves) fill(b *testing.B, machines, counts int) {
	at := time.Now().Add(-24 * time.Hour).UTC()
	var lines bytes.Buffer
	for n := range counts {
		for m := range machines {
			fmt.Fprintf(&lines, `{"type":"usage","machine":"K-%06d","arc_count":%d,"time":%q}`+"\n", m, 100*(n+1), at.Add(time.Duration(n-counts)*24*time.Hour).Format(time.RFC3339))
		}
	}
	began := time.Now()
	cmd := h.command("import", "-")
	cmd.Stdin = &lines
	out, err := cmd.CombinedOutput()
	require.NoError(b, err, "%s", out)
	b.Logf("import: %.0f records a second", float64(machines*counts)/time.Since(began).Seconds())
}

// takeover is one round: both begin, one is killed.
func (h *halves) takeover(b *testing.B, machines, counts int) {
	began := time.Now()
	one := h.start(b, "one")
	wait(b, func() bool { return got(one.url+"/readyz") != "" })
	b.Logf("one is ready after %.1f s, %.1f s of a processor", time.Since(began).Seconds(), one.spent(b))
	began = time.Now()
	two := h.start(b, "two")
	wait(b, func() bool { return got(two.url+"/readyz") != "" })
	b.Logf("two is ready after %.1f s, %.1f s of a processor", time.Since(began).Seconds(), two.spent(b))
	wait(b, func() bool {
		return one.metric("arcdrift_share_slots_held") == 32 && two.metric("arcdrift_share_slots_held") == 32
	})
	began = time.Now()
	before := one.spent(b)
	h.answered(b, one, machines, counts)
	b.Logf("200 new records at one answered by one after %.1f s, %.1f s of its processor", time.Since(began).Seconds(), one.spent(b)-before)
	began = time.Now()
	one.kill()
	before = two.spent(b)
	h.answered(b, two, machines, counts)
	took := time.Since(began)
	b.Logf("after kill -9 answered after %.1f s, %.1f s of its processor", took.Seconds(), two.spent(b)-before)
	b.ReportMetric(took.Seconds(), "s/takeover")
	two.kill()
}

// answered posts a new record of 200 machines, and waits until the process has answered
// for all of them.
func (h *halves) answered(b *testing.B, at *half, machines, counts int) {
	h.sent++
	due := map[string]bool{}
	for n := range 200 {
		name := fmt.Sprintf("K-%06d", n*(machines/200))
		due[name] = true
		line := fmt.Sprintf(`{"type":"usage","machine":%q,"arc_count":%d,"time":%q}`, name, 100*(counts+h.sent), time.Now().UTC().Format(time.RFC3339))
		require.True(b, agenttest.PostOnce(at.url, line))
	}
	wait(b, func() bool {
		for name := range due {
			if at.records(name) != counts+h.sent {
				return false
			}
			delete(due, name)
		}
		return true
	})
}
