package agent

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

// hookSecret is what a receiver and the agent share.
const hookSecret = "a secret of this receiver only"

// receiver is a real HTTP receiver of webhooks that checks signatures.
type receiver struct {
	*httptest.Server
	mu  sync.Mutex
	ids []string
	got []alert.Action
	// hold, when set, is told of a message instead of its being confirmed.
	hold chan struct{}
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		body, err := io.ReadAll(req.Body)
		assert.NoError(t, err)
		at, err := strconv.ParseInt(req.Header.Get("webhook-timestamp"), 10, 64)
		assert.NoError(t, err)
		id := req.Header.Get("webhook-id")
		assert.Equal(t, notify.Sign([]byte(hookSecret), id, time.Unix(at, 0), body), req.Header.Get("webhook-signature"))
		var a alert.Action
		assert.NoError(t, json.Unmarshal(body, &a))
		r.mu.Lock()
		r.ids, r.got = append(r.ids, id), append(r.got, a)
		hold := r.hold
		r.mu.Unlock()
		if hold != nil {
			hold <- struct{}{}
			<-req.Context().Done()
		}
	}))
	t.Cleanup(r.Close)
	return r
}

// told lists what came: kind, matter and subject.
func (r *receiver) told() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	out := []string{}
	for _, a := range r.got {
		out = append(out, fmt.Sprintf("%s %s %s", a.Kind, a.Rule, a.Subject))
	}
	return out
}

func (r *receiver) setHold(hold chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hold = hold
}

// secretFile is a file with the receiver's secret.
func secretFile(t *testing.T) string {
	file := filepath.Join(t.TempDir(), "hook.secret")
	require.NoError(t, os.WriteFile(file, []byte("whsec_"+base64.StdEncoding.EncodeToString([]byte(hookSecret))+"\n"), 0o600))
	return file
}

// publishAll sends records to a broker with the real client of another project.
func publishAll(t *testing.T, port, machine, what string, lines ...string) {
	t.Helper()
	cmd := exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-t", "arcdrift/v1/"+machine+"/"+what, "-l")
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "mosquitto_pub: %s", out)
}

// startProgram runs a real server of another project, from its Debian package,
// until the test ends.
func startProgram(t *testing.T, ready, program string, args ...string) {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = t.Output(), t.Output()
	require.NoError(t, cmd.Start(), "%s has to be installed", program)
	t.Cleanup(func() {
		assert.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
		_ = cmd.Wait() // ends by the signal: its exit code says nothing
	})
	soon(t, program+" is ready", func() bool {
		resp, err := http.Get(ready)
		return err == nil && resp.Body.Close() == nil && resp.StatusCode == http.StatusOK
	})
}

// soon waits for something that has to happen. The bound only ends a hanging
// test; it is no measure of speed.
func soon(t *testing.T, what string, done func() bool) {
	t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); !done(); time.Sleep(20 * time.Millisecond) {
		require.True(t, time.Now().Before(deadline), "never happened: %s", what)
	}
}

// startAlertmanager runs a real one and returns its port.
func startAlertmanager(t *testing.T) string {
	port, dir := freeTCPPort(t), t.TempDir()
	config := filepath.Join(dir, "alertmanager.yml")
	require.NoError(t, os.WriteFile(config, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600))
	startProgram(t, "http://127.0.0.1:"+port+"/-/ready", "prometheus-alertmanager", "--config.file="+config,
		"--storage.path="+filepath.Join(dir, "data"), "--web.listen-address=127.0.0.1:"+port, "--cluster.listen-address=")
	return port
}

// standing lists the active alerts there: name, machine, and whether the agent told it.
func standing(t *testing.T, port string) map[string]bool {
	resp, err := http.Get("http://127.0.0.1:" + port + "/api/v2/alerts?active=true")
	require.NoError(t, err)
	var alerts []struct{ Labels map[string]string }
	require.NoError(t, json.NewDecoder(resp.Body).Decode(&alerts))
	require.NoError(t, resp.Body.Close())
	out := map[string]bool{}
	for _, a := range alerts {
		by := ""
		if a.Labels["source"] == "agent" {
			by = " by the agent"
		}
		out[a.Labels["alertname"]+" "+a.Labels["machine"]+by] = true
	}
	return out
}

// startPrometheus runs a real one with the shipped rules, which scrapes the agents
// and tells the Alertmanager, and returns its port. A scrape may take five seconds:
// it measures no speed.
func startPrometheus(t *testing.T, alertmanager string, agents ...string) string {
	port, dir := freeTCPPort(t), t.TempDir()
	rules, err := filepath.Abs(filepath.Join("..", "dashboards", "prometheus", "arcdrift.rules.yml"))
	require.NoError(t, err)
	targets := strings.ReplaceAll(strings.Join(agents, ", "), "http://", "")
	config := filepath.Join(dir, "prometheus.yml")
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, `
global: {scrape_interval: 5s, scrape_timeout: 5s, evaluation_interval: 1s}
rule_files: [%q]
alerting: {alertmanagers: [{static_configs: [{targets: ["127.0.0.1:%s"]}]}]}
scrape_configs:
  - job_name: arcdrift
    static_configs: [{targets: [%s]}]
`, rules, alertmanager, targets), 0o600))
	startProgram(t, "http://127.0.0.1:"+port+"/-/ready", "prometheus", "--config.file="+config,
		"--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address=127.0.0.1:"+port)
	return port
}
