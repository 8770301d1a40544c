package metrics_test

import (
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/metrics"
	"arcdrift/drift"
)

// startServer runs a real server from its Debian package until the test ends
// and returns its address once it answers at path.
func startServer(t *testing.T, ready, program string, args func(address string) []string) string {
	address := freeAddress(t)
	server := exec.Command(program, args(address)...)
	server.Stdout, server.Stderr = t.Output(), t.Output()
	require.NoError(t, server.Start(), "is the Debian package of %s installed?", program)
	t.Cleanup(func() {
		assert.NoError(t, server.Process.Signal(syscall.SIGTERM))
		_ = server.Wait() // ends by the signal: its exit code says nothing
	})
	eventually(t, program+" is ready", func() bool {
		answer, err := http.Get("http://" + address + ready)
		if err != nil {
			return false
		}
		answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	})
	return address
}

// freeAddress is a loopback address that was free a moment ago.
func freeAddress(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// eventually waits for a real server to get somewhere. The bound only ends a
// hanging test; it is no measure of speed.
func eventually(t *testing.T, what string, done func() bool) {
	for deadline := time.Now().Add(2 * time.Minute); !done(); time.Sleep(50 * time.Millisecond) {
		require.True(t, time.Now().Before(deadline), "never happened: %s", what)
	}
}

// get decodes the JSON answer of an API.
func get(t *testing.T, address, path string, into any) {
	answer, err := http.Get("http://" + address + path)
	require.NoError(t, err)
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, answer.StatusCode, "%s: %s", path, text)
	require.NoError(t, json.Unmarshal(text, into), "%s: %s", path, text)
}

// TestRealPrometheus scrapes the real handler with a real Prometheus that has
// the rules loaded. Every expression of every rule and every dashboard must
// return data, and an alert must reach a real Alertmanager.
func TestRealPrometheus(t *testing.T) {
	var refused atomic.Uint64
	read := func() metrics.Facts {
		facts := small()
		// A fleet with more in need than listed, and records refused all along.
		facts.Machines = append(facts.Machines[:4:4], large(10).Machines[0])
		facts.Machines = append(facts.Machines, small().Machines[4])
		facts.Records[metrics.Arrival{Type: drift.TypeUsage, Result: metrics.Refused}] = refused.Add(1)
		facts.Spares[0].Held = drift.Some[int64](2)
		return facts
	}
	registry := metrics.Registry(read, build, metrics.Options{EachUpTo: 5, WorstOf: 4})
	agent := httptest.NewServer(metrics.Handler(registry, log.New(t.Output(), "", 0)))
	t.Cleanup(agent.Close)

	dir := t.TempDir()
	alertmanagerConfig := filepath.Join(dir, "alertmanager.yml")
	require.NoError(t, os.WriteFile(alertmanagerConfig, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600))
	alertmanager := startServer(t, "/-/ready", "prometheus-alertmanager", func(address string) []string {
		return []string{
			"--config.file=" + alertmanagerConfig, "--storage.path=" + filepath.Join(dir, "alertmanager"),
			"--web.listen-address=" + address, "--cluster.listen-address=",
		}
	})
	rules, err := filepath.Abs(filepath.Join(rulesDir, "arcdrift.rules.yml"))
	require.NoError(t, err)
	config := filepath.Join(dir, "prometheus.yml")
	require.NoError(t, os.WriteFile(config, fmt.Appendf(nil, `
global: {scrape_interval: 200ms, scrape_timeout: 200ms, evaluation_interval: 200ms}
rule_files: [%q]
alerting: {alertmanagers: [{static_configs: [{targets: [%q]}]}]}
scrape_configs:
  - job_name: arcdrift
    static_configs: [{targets: [%q, %q]}] # the second is an agent that is gone
`, rules, alertmanager, strings.TrimPrefix(agent.URL, "http://"), freeAddress(t)), 0o600))
	prometheus := startServer(t, "/-/ready", "prometheus", func(address string) []string {
		return []string{
			"--config.file=" + config, "--storage.tsdb.path=" + filepath.Join(dir, "prometheus"),
			"--web.listen-address=" + address,
		}
	})

	want := expressions(t)
	var loaded struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Query, Type string }
			}
		}
	}
	get(t, prometheus, "/api/v1/rules", &loaded)
	alerts := 0
	for _, group := range loaded.Data.Groups {
		for _, rule := range group.Rules {
			want["rule "+rule.Name] = rule.Query
			if rule.Type == "alerting" {
				alerts++
			}
		}
	}
	require.Equal(t, 10, alerts, "all alerting rules are loaded")

	for name, expr := range want {
		eventually(t, name+": "+expr+" returns data", func() bool {
			var answer struct {
				Data struct{ Result []json.RawMessage }
			}
			get(t, prometheus, "/api/v1/query?query="+url.QueryEscape(expr), &answer)
			return len(answer.Data.Result) > 0
		})
	}

	eventually(t, "the stop of K-07 reaches the Alertmanager", func() bool {
		var firing []struct{ Labels map[string]string }
		get(t, alertmanager, "/api/v2/alerts", &firing)
		for _, a := range firing {
			if a.Labels["alertname"] == "ArcdriftMachineMustStop" && a.Labels["machine"] == "K-07" {
				return a.Labels["class"] == "stop"
			}
		}
		return false
	})
}
