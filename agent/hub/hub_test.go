package hub_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/store"
	"arcdrift/drift/advise"
)

// yard is a real database, a real broker, and the processes of a hub.
type yard struct {
	*agenttest.Postgres
	broker, database, dir string
	params                string // of the database's URL
}

// process is one process of the hub.
type process struct {
	yard *yard
	name string
	url  string
	cmd  *exec.Cmd
	said *agenttest.Buffer
}

// command is a command line of the program on the yard's database.
func (y *yard) command(args ...string) *exec.Cmd {
	cmd := exec.Command("arcdrift-hub", args...)
	cmd.Env = append(os.Environ(), "ARCDRIFT_DATABASE="+y.URL(y.database)+y.params)
	return cmd
}

func (y *yard) run(t *testing.T, args ...string) string {
	t.Helper()
	cmd := y.command(args...)
	var out, talk bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &talk
	require.NoError(t, cmd.Run(), "%v: %s", args, &talk)
	return out.String()
}

// start starts a process by the name of its files, which may have run before.
func (y *yard) start(t *testing.T, name string, args ...string) *process {
	t.Helper()
	db := filepath.Join(y.dir, name)
	p := &process{yard: y, name: name, said: &agenttest.Buffer{}}
	p.cmd = y.command(slices.Concat(unitLine(t, db), []string{"--http-listen", "127.0.0.1:0", "--mqtt-broker", "tcp://127.0.0.1:" + y.broker}, args)...)
	p.cmd.Stderr = p.said
	_ = os.Remove(db + ".agent") // of a process that was killed
	require.NoError(t, p.cmd.Start())
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("%s: %s", name, p.said)
		}
		p.end()
	})
	p.url = agenttest.Await(t, db)
	agenttest.Soon(t, name+" is ready", func() bool { status, _ := agenttest.Got(t, p.url+"/readyz"); return status == http.StatusOK })
	return p
}

// unitLine is the command line of the shipped unit, with the shipped settings, for a
// process whose files are at db.
func unitLine(t *testing.T, db string) []string {
	t.Helper()
	packaging := agenttest.Path(t, "cmd/arcdrift-hub/packaging")
	unit, err := os.ReadFile(filepath.Join(packaging, "arcdrift-hub@.service"))
	require.NoError(t, err)
	_, line, found := strings.Cut(string(unit), "\nExecStart=/usr/bin/arcdrift-hub ")
	require.True(t, found)
	line, _, _ = strings.Cut(line, "\n")
	line = strings.NewReplacer("/var/lib/arcdrift-hub/%i", db, "/etc/arcdrift-hub.toml", filepath.Join(packaging, "arcdrift-hub.toml")).Replace(line)
	return strings.Fields(line)
}

// end ends the process as a service manager does.
func (p *process) end() {
	_ = p.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
	_ = p.cmd.Wait()
}

func (p *process) kill(t *testing.T) {
	t.Helper()
	require.NoError(t, p.cmd.Process.Kill())
	_ = p.cmd.Wait() // it was killed, and says so
}

// states are the answers of the process, without their moment.
func (p *process) states(t *testing.T) map[string]advise.Assessment {
	t.Helper()
	var all []advise.Assessment
	require.NoError(t, json.Unmarshal([]byte(agenttest.Fetch(t, p.url+"/api/v1/machines")), &all))
	out := map[string]advise.Assessment{}
	for _, a := range all {
		a.AsOf = time.Time{}
		out[a.Machine] = a
	}
	return out
}

// held is how many slots the process works on.
func (p *process) held(t *testing.T) string {
	for line := range strings.Lines(agenttest.Fetch(t, p.url+"/metrics")) {
		if n, is := strings.CutPrefix(line, "arcdrift_share_slots_held "); is {
			return strings.TrimSpace(n)
		}
	}
	return ""
}

// summed is the sum of a metric over the processes that report it.
func summed(t *testing.T, series string, processes ...*process) (sum float64) {
	for _, p := range processes {
		for line := range strings.Lines(agenttest.Fetch(t, p.url+"/metrics")) {
			if n, is := strings.CutPrefix(line, series+" "); is {
				value, err := strconv.ParseFloat(strings.TrimSpace(n), 64)
				require.NoError(t, err)
				sum += value
			}
		}
	}
	return sum
}

func count(machine, id string, arcs int) string {
	return fmt.Sprintf(`{"type":"usage","machine":%q,"id":%q,"arc_count":%d,"time":%q}`, machine, id, arcs, time.Now().Add(-time.Hour).UTC().Format(time.RFC3339))
}

func newYard(t *testing.T) *yard {
	t.Helper()
	server, err := agenttest.NewPostgres()
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Stop()) })
	y := &yard{Postgres: server, broker: agenttest.FreePort(t), dir: t.TempDir()}
	require.NoError(t, server.Do(t.Context(), "postgres", "create database hub"))
	y.database = "hub"
	agenttest.Mosquitto(t, y.broker)
	return y
}

// The life of a hub of two processes on one real database and one real broker.
func TestTwoProcesses(t *testing.T) {
	y := newYard(t)
	hook := agenttest.NewReceiver(t)
	alerts := []string{"--keep-counts", "100", "--alert-channel", "hook=" + hook.URL, "--alert-secret", "hook=" + agenttest.SecretFile(t), "--alert-note", "nobody"}
	one := y.start(t, "one", alerts...)
	two := y.start(t, "two", alerts...)
	agenttest.Soon(t, "the slots are shared", func() bool { return one.held(t) == "32" && two.held(t) == "32" })

	assert.NotContains(t, one.said.String(), "by another key")
	assert.Contains(t, two.said.String(), "signs packs of proof by another key", "each made its own")
	takenAnywhere(t, y, one, two)
	alertedOnce(t, hook, two)
	agenttest.Soon(t, "one of both reports it", func() bool {
		return summed(t, `arcdrift_alerts_firing{rule="stop"}`, one, two) == 1
	})
	one = lostNothing(t, y, one, two, alerts)
	assert.Equal(t, []string{"alert stop W-07"}, hook.Told(), "one message, whoever leads")
	databaseAway(t, y, one, two)
	sharedAccounts(t, y, one, two)
	require.Contains(t, y.run(t, "verify"), "Sound")
}

// Records that came to either process, by HTTP or by the broker, are answered for by both,
// in the same words.
func takenAnywhere(t *testing.T, y *yard, one, two *process) {
	receipts := agenttest.MosquittoSub(t, y.broker, "arcdrift/v1/+/receipt")
	for n := range 20 {
		machine := fmt.Sprintf("K-%02d", n)
		require.True(t, agenttest.PostOnce([]string{one.url, two.url}[n%2], count(machine, "h-"+machine, 10)))
		agenttest.MosquittoPub(t, y.broker, "arcdrift/v1/"+machine+"/usage", []byte(count(machine, "m-"+machine, 20)))
	}
	agenttest.Soon(t, "every message has its receipt", func() bool {
		for n := range 20 {
			if !strings.Contains(receipts.String(), fmt.Sprintf(`"id":"m-K-%02d"`, n)) {
				return false
			}
		}
		return true
	})
	for _, p := range []*process{one, two} {
		agenttest.Soon(t, p.name+" knows all", func() bool {
			states := p.states(t)
			for n := range 20 {
				if states[fmt.Sprintf("K-%02d", n)].Data.Records != 2 {
					return false
				}
			}
			return true
		})
	}
	assert.Equal(t, one.states(t), two.states(t))
	for _, p := range []*process{one, two} {
		page := agenttest.Fetch(t, p.url+"/machines/K-03")
		assert.Contains(t, page, "K-03")
	}
}

// alertedOnce: of a machine that must stop one message is sent.
func alertedOnce(t *testing.T, hook *agenttest.Receiver, at *process) {
	for _, line := range agenttest.Wearing("W-07", time.Now().Truncate(time.Second)) {
		require.True(t, agenttest.PostOnce(at.url, line))
	}
	agenttest.Soon(t, "the message arrives", func() bool { return len(hook.Told()) > 0 })
	assert.Equal(t, []string{"alert stop W-07"}, hook.Told())
}

// lostNothing: a process is killed under load. What either has acknowledged is there, what
// waits for it at the broker comes when it is back, a van goes on with the other, and the
// other takes the work over.
func lostNothing(t *testing.T, y *yard, one, two *process, args []string) *process {
	ctx, stop := context.WithCancel(t.Context())
	var mu sync.Mutex
	var senders sync.WaitGroup
	acked := map[string]bool{}
	load := func(name string, send func(id string) bool) {
		senders.Go(func() {
			for n := 0; ctx.Err() == nil; n++ {
				if id := fmt.Sprintf("%s-%d", name, n); send(id) {
					mu.Lock()
					acked[id] = true
					mu.Unlock()
				}
			}
		})
	}
	load("one", func(id string) bool { return agenttest.PostOnce(one.url, count("K-01", id, 30)) })
	load("two", func(id string) bool { return agenttest.PostOnce(two.url, count("K-01", id, 30)) })
	load("mqtt", func(id string) bool { // it ends well after PUBACK: the broker has the message
		return exec.Command("mosquitto_pub", "-p", y.broker, "-q", "1", "-t", "arcdrift/v1/K-02/usage", "-m", count("K-02", id, 30)).Run() == nil
	})
	taken := func() int { mu.Lock(); defer mu.Unlock(); return len(acked) }
	agenttest.Soon(t, "there is a load", func() bool { return taken() > 100 })
	one.kill(t)
	before := taken()
	agenttest.Soon(t, "two goes on taking records", func() bool { return taken() > before+100 })
	// No longer than this, so that few messages wait at the broker: taking them must not
	// depend on how fast the disk is.
	stop()
	senders.Wait()
	agenttest.Soon(t, "two takes over", func() bool { return two.held(t) == "64" })
	van := vanTo(t, two.url)
	back := y.start(t, "one", args...)
	assert.ElementsMatch(t, slices.Collect(maps.Keys(two.states(t))), slices.Collect(maps.Keys(back.states(t))), "who is ready answers for all machines")
	acked[van] = true
	missing := ""
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("of %d acknowledged: %s", len(acked), missing)
		}
	})
	agenttest.Soon(t, "what was acknowledged is there, once", func() bool {
		missing = ""
		out := y.run(t, "export")
		for id := range acked {
			if n := strings.Count(out, fmt.Sprintf(`"id":%q`, id)); n != 1 {
				missing += fmt.Sprintf("%s %d times; ", id, n)
			}
		}
		return missing == ""
	})
	return back
}

// vanTo runs a van that forwards to a process, and returns the id of a record there.
func vanTo(t *testing.T, url string) string {
	db := agenttest.DB(t)
	cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0", "--forward-to", url)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
	})
	require.True(t, agenttest.PostOnce(agenttest.Await(t, db), fmt.Sprintf(agenttest.Good, "from-the-van")))
	return "from-the-van"
}

// databaseAway: without a database nothing is acknowledged, both say so, and both are back
// by themselves.
func databaseAway(t *testing.T, y *yard, one, two *process) {
	require.NoError(t, y.Kill())
	for _, p := range []*process{one, two} {
		agenttest.Soon(t, p.name+" says so", func() bool {
			status, text := agenttest.Got(t, p.url+"/readyz")
			return status == http.StatusServiceUnavailable && strings.Contains(text, "the database")
		})
		assert.Equal(t, http.StatusOK, first(agenttest.Got(t, p.url+"/healthz")), "no reason to restart it")
		assert.Equal(t, http.StatusServiceUnavailable, agenttest.PostStatus(t.Context(), p.url, count("K-03", "away", 40)))
		status, page := agenttest.Got(t, p.url+"/machines/W-07")
		assert.Equal(t, http.StatusServiceUnavailable, status)
		assert.Contains(t, page, "the database", "the page says so")
		assert.Contains(t, agenttest.Fetch(t, p.url+"/api/v1/machines"), "W-07", "what was known last")
	}
	require.NoError(t, y.Start())
	for _, p := range []*process{one, two} {
		agenttest.Soon(t, p.name+" is back", func() bool { return first(agenttest.Got(t, p.url+"/readyz")) == http.StatusOK })
		assert.True(t, agenttest.PostOnce(p.url, count("K-03", "back-"+p.name, 50)))
	}
}

// sharedAccounts: an account that a command makes on one computer counts at all processes.
func sharedAccounts(t *testing.T, y *yard, one, two *process) {
	secret := strings.TrimSpace(y.run(t, "person", "add", "office", "--db", filepath.Join(y.dir, "elsewhere")))
	for _, p := range []*process{one, two} {
		agenttest.Soon(t, p.name+" asks who it is", func() bool { return first(agenttest.Got(t, p.url+"/api/v1/machines")) == http.StatusUnauthorized })
		req, err := http.NewRequest(http.MethodGet, p.url+"/api/v1/machines", nil)
		require.NoError(t, err)
		req.SetBasicAuth("office", secret)
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		assert.Equal(t, http.StatusOK, resp.StatusCode)
	}
	signedInAnywhere(t, secret, one, two)
	y.run(t, "person", "remove", "office", "--db", filepath.Join(y.dir, "one"))
	assert.Empty(t, y.run(t, "person", "list", "--format", "json", "--db", filepath.Join(y.dir, "two")), "it is gone everywhere")
	agenttest.Soon(t, "nobody has to sign in", func() bool { return first(agenttest.Got(t, two.url+"/api/v1/machines")) == http.StatusOK })
}

// signedInAnywhere: a browser that signs in at one process is signed in at the other.
func signedInAnywhere(t *testing.T, secret string, one, two *process) {
	browser := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := browser.PostForm(one.url+"/sign-in", url.Values{"name": {"office"}, "secret": {secret}})
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Len(t, resp.Cookies(), 1)
	for _, p := range []*process{one, two} {
		req, err := http.NewRequest(http.MethodGet, p.url+"/machines", nil)
		require.NoError(t, err)
		req.AddCookie(resp.Cookies()[0])
		answer, err := browser.Do(req)
		require.NoError(t, err)
		require.NoError(t, answer.Body.Close())
		assert.Equal(t, http.StatusOK, answer.StatusCode, p.name)
	}
}

// Compacting takes nothing from the answers, of now and of a moment of the past.
func TestACompactedHubAnswersTheSame(t *testing.T) {
	y := newYard(t)
	var lines strings.Builder
	begun := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -40)
	for n := range 200 {
		at := begun.Add(time.Duration(n) * 4 * time.Hour).Format(time.RFC3339)
		if n%6 == 0 {
			fmt.Fprintf(&lines, `{"type":"calibration","machine":"K-07","model":"type-1","time":%q,"passed":true,"meltback_left_um":%d,"meltback_right_um":249,"meltback_target_um":250,"meltback_tolerance_um":10,"power_setting_pct":1.5,"arc_count":%d}`+"\n", at, 247+n%7, 11*n)
		}
		fmt.Fprintf(&lines, `{"type":"usage","id":"u-%d","machine":"K-07","time":%q,"arc_count":%d,"extra":{"firmware":"2.1"}}`+"\n", n, at, 11*n)
	}
	records := filepath.Join(y.dir, "records.jsonl")
	require.NoError(t, os.WriteFile(records, []byte(lines.String()), 0o600))
	y.run(t, "import", records)
	ask := func() string {
		then := begun.AddDate(0, 0, 20).Format(time.RFC3339)
		return y.run(t, "assess", "--format", "json", "--as-of", begun.AddDate(0, 0, 39).Format(time.RFC3339)) + y.run(t, "assess", "--format", "json", "--as-of", then)
	}
	before := ask()
	db, err := pgstore.Open(t.Context(), y.URL(y.database), time.Now, pgstore.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	compact := func(keep int) int {
		n, err := db.Compact(t.Context(), store.Compaction{Keep: keep})
		require.NoError(t, err)
		return n
	}
	require.Zero(t, compact(100), "a new generation begins")
	require.Equal(t, 199, compact(0), "all but the last")
	assert.Equal(t, before, ask())
	assert.Contains(t, y.run(t, "verify"), "199 old arc counts compacted")
}

func first(status int, _ string) int { return status }
