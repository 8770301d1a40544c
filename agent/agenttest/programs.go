package agenttest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// FreePort is a port of this computer that nobody listens on.
func FreePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	_, port, err := net.SplitHostPort(l.Addr().String())
	require.NoError(t, err)
	require.NoError(t, l.Close())
	return port
}

// Mosquitto runs a real broker; kill ends it without a goodbye.
func Mosquitto(t *testing.T, port string) (kill func()) {
	t.Helper()
	config := filepath.Join(t.TempDir(), "mosquitto.conf")
	require.NoError(t, os.WriteFile(config, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\n"), 0o644))
	cmd := exec.Command("mosquitto", "-c", config)
	require.NoError(t, cmd.Start(), "mosquitto has to be installed")
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", "127.0.0.1:"+port)
		return err == nil && conn.Close() == nil
	}, 10*time.Second, 10*time.Millisecond, "mosquitto does not listen")
	var once sync.Once
	kill = func() {
		once.Do(func() {
			require.NoError(t, cmd.Process.Kill())
			_ = cmd.Wait() // it was killed, and says so
		})
	}
	t.Cleanup(kill)
	return kill
}

// MosquittoSub listens with the real client of another project.
func MosquittoSub(t *testing.T, port, filter string) *Buffer {
	t.Helper()
	out := &Buffer{}
	cmd := exec.Command("mosquitto_sub", "-p", port, "-q", "1", "-v", "-t", filter)
	cmd.Stdout = out
	require.NoError(t, cmd.Start(), "mosquitto_sub has to be installed")
	t.Cleanup(func() {
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // it was killed, and says so
	})
	return out
}

// MosquittoPub publishes with the real client of another project.
func MosquittoPub(t *testing.T, port, topic string, payload []byte) {
	t.Helper()
	cmd := exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-t", topic, "-s")
	cmd.Stdin = bytes.NewReader(payload)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "mosquitto_pub: %s", out)
}

// PublishAll sends records to a broker with the real client of another project.
func PublishAll(t *testing.T, port, machine, what string, lines ...string) {
	t.Helper()
	cmd := exec.Command("mosquitto_pub", "-p", port, "-q", "1", "-t", "arcdrift/v1/"+machine+"/"+what, "-l")
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "mosquitto_pub: %s", out)
}

// Program runs a real server of another project, from its Debian package,
// until the test ends.
func Program(t *testing.T, ready, program string, args ...string) {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = t.Output(), t.Output()
	require.NoError(t, cmd.Start(), "%s has to be installed", program)
	t.Cleanup(func() {
		assert.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
		_ = cmd.Wait() // ends by the signal: its exit code says nothing
	})
	Soon(t, program+" is ready", func() bool {
		resp, err := http.Get(ready)
		return err == nil && resp.Body.Close() == nil && resp.StatusCode == http.StatusOK
	})
}

// Alertmanager runs a real one and returns its port.
func Alertmanager(t *testing.T) string {
	port, dir := FreePort(t), t.TempDir()
	config := filepath.Join(dir, "alertmanager.yml")
	require.NoError(t, os.WriteFile(config, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600))
	Program(t, "http://127.0.0.1:"+port+"/-/ready", "prometheus-alertmanager", "--config.file="+config,
		"--storage.path="+filepath.Join(dir, "data"), "--web.listen-address=127.0.0.1:"+port, "--cluster.listen-address=")
	return port
}

// Standing lists the active alerts there: name, machine, and whether the agent told it.
func Standing(t *testing.T, port string) map[string]bool {
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

// Prometheus runs a real one with the shipped rules, which scrapes the agents
// and tells the Alertmanager, and returns its port. A scrape may take five seconds:
// it measures no speed.
func Prometheus(t *testing.T, alertmanager string, agents ...string) string {
	port, dir := FreePort(t), t.TempDir()
	rules, err := filepath.Abs(Path(t, "dashboards/prometheus/arcdrift.rules.yml"))
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
	Program(t, "http://127.0.0.1:"+port+"/-/ready", "prometheus", "--config.file="+config,
		"--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address=127.0.0.1:"+port)
	return port
}

// ServiceManager hears what a service manager is told.
func ServiceManager(t *testing.T) (socket string, hears func() string) {
	t.Helper()
	socket = filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, manager.Close()) })
	return socket, func() string {
		b := make([]byte, 100)
		require.NoError(t, manager.SetReadDeadline(time.Now().Add(time.Minute)))
		n, err := manager.Read(b)
		require.NoError(t, err)
		return string(b[:n])
	}
}
