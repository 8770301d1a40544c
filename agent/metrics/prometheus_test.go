package metrics_test

import (
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/metrics"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// yard is a fleet of 300 machines at a moment, at twelve sites and three depots, with
// everything that can be reported. What is counted rises with time.
func yard(now time.Time) metrics.Facts {
	f := small()
	f.Machines = nil
	states := advise.States()
	age := now.Unix() / 3600
	for i := range 300 {
		a := worn(fmt.Sprintf("K-%03d", i), states[i%len(states)])
		a.Data.Last = drift.Some(now.Add(-time.Duration(i) * time.Hour))
		a.Electrode.Arcs = drift.Some(int64(i)*7 + age%500)
		if i%3 == 0 {
			a.Due = &advise.Due{Reason: advise.StartOfDay}
		}
		f.Machines = append(f.Machines, metrics.Machine{
			Assessment: a, Site: fmt.Sprintf("Site %d", i%12), Depot: fmt.Sprintf("Depot %d", i%3),
			Service: drift.Cleaned, Serviced: now.Add(-time.Duration(i%50) * 24 * time.Hour),
		})
	}
	f.Spares = nil
	for i := range 3 {
		f.Spares = append(f.Spares, advise.Spares{Depot: fmt.Sprintf("Depot %d", i), Hold95: 40, Hold99: 44, Held: drift.Some(int64(35 + 5*i))})
	}
	f.LookBacksOpen, f.LookBackOldest = drift.Some(2), now.Add(-50*time.Hour)
	for arrival := range f.Records {
		f.Records[arrival] += uint64(age)
	}
	f.Share = &metrics.Share{Processes: 1, Held: 64, Slots: 64, Taken: 64, Leads: true}
	f.Pool = &metrics.Pool{InUse: 2, Idle: 6, Limit: 16, Waited: age, Waiting: float64(age)}
	return f
}

// backfill gives Prometheus two days of the fleet, every other hour, in the OpenMetrics
// format, as if it had scraped it.
func backfill(t *testing.T, dir, instance string, now time.Time) {
	t.Helper()
	series := map[string][]string{} // lines by metric: each must stand together
	var order []string
	for at := now.Add(-48 * time.Hour); at.Before(now.Add(-time.Hour)); at = at.Add(2 * time.Hour) {
		for name, value := range samples(t, scrape(t, handler(t, yard(at), metrics.DefaultOptions()))) {
			if !strings.HasPrefix(name, "arcdrift_") {
				continue
			}
			metric, labels, _ := strings.Cut(strings.TrimSuffix(name, "}"), "{")
			if labels != "" {
				labels += ","
			}
			if series[metric] == nil {
				order = append(order, metric)
			}
			series[metric] = append(series[metric], fmt.Sprintf("%s{%sjob=\"arcdrift\",instance=%q} %v %d\n", metric, labels, instance, value, at.Unix()))
		}
	}
	var text strings.Builder
	for _, metric := range order {
		fmt.Fprintf(&text, "# TYPE %s gauge\n", metric) // as a counter it would have to end in _total alone
		for _, line := range series[metric] {
			text.WriteString(line)
		}
	}
	text.WriteString("# EOF\n")
	file := filepath.Join(t.TempDir(), "history.txt")
	require.NoError(t, os.WriteFile(file, []byte(text.String()), 0o600))
	out, err := exec.Command("promtool", "tsdb", "create-blocks-from", "openmetrics", file, dir).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// prometheus runs Debian's Prometheus with the shipped rules on an agent's metrics, with two
// days behind it, and returns its address once it has scraped.
func prometheus(t *testing.T) *url.URL {
	t.Helper()
	registry := metrics.Registry(func() metrics.Facts { return yard(time.Now()) }, build, metrics.DefaultOptions())
	agent := httptest.NewServer(metrics.Handler(registry, nil))
	t.Cleanup(agent.Close)
	instance := strings.TrimPrefix(agent.URL, "http://")
	dir := t.TempDir()
	backfill(t, filepath.Join(dir, "data"), instance, time.Now())
	rules, err := filepath.Abs(filepath.Join(rulesDir, "arcdrift.rules.yml"))
	require.NoError(t, err)
	config := fmt.Sprintf("global: {scrape_interval: 1s, evaluation_interval: 1s}\nrule_files: [%q]\nscrape_configs:\n- job_name: arcdrift\n  static_configs: [{targets: [%q]}]\n", rules, instance)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "prometheus.yml"), []byte(config), 0o600))
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	address := free.Addr().String()
	require.NoError(t, free.Close())
	run := exec.Command("prometheus", "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address, "--log.level=error")
	run.Stderr = os.Stderr
	require.NoError(t, run.Start(), "Debian package prometheus")
	t.Cleanup(func() {
		_ = run.Process.Signal(os.Interrupt)
		_ = run.Wait()
	})
	at := &url.URL{Scheme: "http", Host: address}
	for len(query(t, at, `changes(process_start_time_seconds[1m])`)) == 0 || len(query(t, at, `ALERTS{alertname="ArcdriftMachineMustStop"}`)) == 0 || len(query(t, at, `rate(process_cpu_seconds_total[1m])`)) == 0 {
		select {
		case <-t.Context().Done():
			t.FailNow()
		case <-time.After(200 * time.Millisecond):
		}
	}
	return at
}

// query asks for the series of an expression now; none while Prometheus does not answer.
func query(t *testing.T, at *url.URL, expr string) []json.RawMessage {
	t.Helper()
	answer, err := http.Get(at.JoinPath("/api/v1/query").String() + "?" + url.Values{"query": {expr}}.Encode())
	if err != nil {
		return nil
	}
	defer answer.Body.Close()
	var got struct {
		Status, Error string
		Data          struct{ Result []json.RawMessage }
	}
	if json.NewDecoder(answer.Body).Decode(&got) != nil {
		return nil // it is starting
	}
	require.Empty(t, got.Error, expr)
	return got.Data.Result
}

// asked is an expression with the variables of the dashboard chosen.
func asked(name, expr string) string {
	expr = strings.ReplaceAll(expr, "$__rate_interval", "1m")
	if name == "machine.json" {
		expr = strings.ReplaceAll(expr, "$machine", "K-003")
	}
	return regexp.MustCompile(`\$[a-z]+`).ReplaceAllString(expr, ".*")
}

// With 300 machines and two days behind it no panel of a dashboard is empty, no variable
// is without a value, and the annotations find services and alerts.
func TestNoPanelIsEmpty(t *testing.T) {
	at := prometheus(t)
	lists := regexp.MustCompile(`^label_values\((.*), (\w+)\)$`)
	for name, text := range grafanaFiles(t) {
		var b struct {
			Panels []struct {
				Title   string
				Targets []struct{ Expr string }
			}
			Templating struct {
				List []struct{ Name, Type, Query string }
			}
			Annotations struct{ List []struct{ Name, Expr string } }
		}
		require.NoError(t, json.Unmarshal(text, &b))
		for _, p := range b.Panels {
			for _, target := range p.Targets {
				assert.NotEmpty(t, query(t, at, asked(name, target.Expr)), "%s, %s: %s", name, p.Title, target.Expr)
				assert.NotContains(t, target.Expr, ":", "%s, %s: needs no recording rule", name, p.Title)
			}
		}
		for _, v := range b.Templating.List {
			if v.Type != "query" {
				continue
			}
			parts := lists.FindStringSubmatch(v.Query)
			require.NotNil(t, parts, v.Query)
			assert.NotEmpty(t, query(t, at, fmt.Sprintf(`count by (%s) (%s)`, parts[2], asked(name, parts[1]))), "%s: variable %s", name, v.Name)
		}
		require.NotEmpty(t, b.Annotations.List, name)
		for _, a := range b.Annotations.List {
			expr := asked(name, a.Expr)
			if name == "machine.json" && strings.HasPrefix(a.Expr, "ALERTS") {
				expr = strings.ReplaceAll(expr, `machine=~"K-003"`, `machine=~".*"`)
			}
			assert.NotEmpty(t, query(t, at, expr), "%s: annotation %s", name, a.Name)
		}
	}
	assert.Len(t, query(t, at, "arcdrift_machine_info"), 300)
	assert.NotEmpty(t, query(t, at, "arcdrift_machines offset 1d"), "there is history")
}

// Labels of sites and depots are bounded: a series for each machine that is listed, and
// for so many depots, those that are short first.
func TestDepotsAreBounded(t *testing.T) {
	facts := small()
	facts.Spares = nil
	for i := range 400 {
		facts.Spares = append(facts.Spares, advise.Spares{Depot: fmt.Sprintf("D-%03d", i), Hold95: 3, Hold99: 4, Held: drift.Some(int64(i % 5))})
	}
	o := metrics.DefaultOptions()
	seen, short := 0, 0
	for series := range samples(t, scrape(t, handler(t, facts, o))) {
		if strings.HasPrefix(series, metrics.DepotHeld+"{") {
			seen++
		}
		if strings.HasPrefix(series, metrics.DepotsShort) {
			short++
		}
	}
	assert.Equal(t, o.Depots, seen)
	assert.Equal(t, 2, short, "the totals are of all depots")
}
