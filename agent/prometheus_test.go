package agent_test

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/intake"
	"arcdrift/agent/metrics"
	"arcdrift/agent/server"
	"arcdrift/agent/wire"
	"arcdrift/drift/advise"
	"arcdrift/drift/synth"
)

// A real Prometheus with the shipped rules scrapes an agent that has the fleet of
// the demo: every expression of every rule and of every dashboard returns data, and
// an alert reaches a real Alertmanager. What the demo's day does not have is added
// to it: a machine that must stop, a depot without spares, more machines than are
// listed one by one, a channel that reaches alerting.Nobody, a door that brings nothing, a
// record that is refused.
func TestDemoUnderPrometheus(t *testing.T) {
	db := agenttest.DB(t)
	agenttest.Fill(t, db, demoAndMore(t))
	var later atomic.Int64 // how much the agent's clock has gone on
	now := func() time.Time { return agenttest.Now.Add(time.Duration(later.Load())) }
	s, log, _ := agenttest.StartAt(t, db, now, func(c *server.Config) {
		c.Alerts = agenttest.AlertsTo(t, "hook=http://127.0.0.1:"+agenttest.FreePort(t))
		c.Alerts.Quiet = 10 * time.Minute
	})
	am := agenttest.Alertmanager(t)
	prom := prometheus{agenttest.Prometheus(t, am, s.URL(), "http://127.0.0.1:"+agenttest.FreePort(t))} // the second is an agent that is gone

	agenttest.Soon(t, "the message about the stop was tried", func() bool { return strings.Contains(log.String(), "message not delivered") })
	later.Store(int64(45 * time.Minute))
	// The refusal is to be seen as a rise from 0.
	prom.soonHas(t, `arcdrift_records_total{type="usage",result="refused"} == 0`)
	status, body := agenttest.Post(t, s, `{"type":"usage","id":"u1","machine":"K-98","time":"2026-03-02T18:44:00Z","arc_count":7}
{"type":"usage","id":"u2","machine":"K-98","time":"2026-03-02T18:44:00Z","arc_count":-7}`)
	require.Equal(t, http.StatusCreated, status, body)

	for _, state := range advise.States() {
		prom.soonHas(t, fmt.Sprintf(`arcdrift_machines{state=%q} > 0`, state))
	}
	// This agent is ready, has its store to itself and no links, and the bench found no rule
	// wrong; promtool tries those rules.
	links := regexp.MustCompile(`arcdrift_(ready|link_up|forward|share|database|alert_rule_silenced ==)`)
	for _, expr := range slices.DeleteFunc(append(boardExpressions(t), prom.rules(t)...), links.MatchString) {
		prom.soonHas(t, expr)
	}
	assert.False(t, prom.has(t, `arcdrift_machine_state{machine="K-07",state="stop"} == 1`), "not every expression returns data")
	agenttest.Soon(t, "the stop reaches the Alertmanager", func() bool { return agenttest.Standing(t, am)["ArcdriftMachineMustStop K-99"] })
	assert.NotContains(t, agenttest.Standing(t, am), "ArcdriftMachineMustStop K-07")
}

// demoAndMore are the records of four machines of the demo, one for each state that
// it has (all twelve take three times as long to learn from), and of what it lacks.
func demoAndMore(t *testing.T) []intake.Submission {
	var offers []intake.Submission
	story := synth.Open(1, agenttest.Now)
	cast := map[synth.Role]bool{synth.WearingOut: true, synth.BluntEnds: true, synth.Silent: true, synth.Newcomer: true}
	for _, r := range story.History {
		if role, machine := story.Roles()[r.Machine]; !machine || cast[role] {
			offers = append(offers, intake.Submission{Record: r})
		}
	}
	add := func(line string) {
		r, err := wire.Record([]byte(line))
		require.NoError(t, err, line)
		offers = append(offers, intake.Submission{Record: r})
	}
	for _, line := range agenttest.Wearing("K-99", agenttest.Now) {
		add(line)
	}
	for _, site := range []string{"Orrin Quay", "Hallow Fen"} { // of one depot
		add(fmt.Sprintf(`{"type":"setup","time":"2026-03-02T08:00:00Z","scope":"site","name":%q,"spare_pairs":0}`, site))
	}
	for i := range metrics.DefaultOptions().EachUpTo {
		add(fmt.Sprintf(`{"type":"usage","machine":"S-%04d","time":"2026-02-01T08:00:00Z","arc_count":7}`, i))
	}
	return offers
}

// boardExpressions are all PromQL of the dashboards with their variables filled in.
func boardExpressions(t *testing.T) (out []string) {
	files, err := filepath.Glob(filepath.Join("..", "dashboards", "grafana", "*.json"))
	require.NoError(t, err)
	for _, file := range files {
		machine := ".*"
		if filepath.Base(file) == "machine.json" {
			machine = "K-07"
		}
		fill := strings.NewReplacer("$__rate_interval", "1m", "$machine", machine, "$instance", ".*", "$site", ".*", "$depot", ".*", "$model", ".*")
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		var board struct {
			Panels []struct{ Targets []struct{ Expr string } }
		}
		require.NoError(t, json.Unmarshal(text, &board))
		before := len(out)
		for _, p := range board.Panels {
			for _, target := range p.Targets {
				out = append(out, fill.Replace(target.Expr))
			}
		}
		require.Greater(t, len(out), before, "%s has expressions", file)
	}
	require.Len(t, files, 3, "fleet, machine and agent")
	return out
}

// prometheus is a real one.
type prometheus struct{ port string }

// get decodes an answer of its API.
func (p prometheus) get(t *testing.T, path string, into any) {
	t.Helper()
	resp, err := http.Get("http://127.0.0.1:" + p.port + path)
	require.NoError(t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	require.Equal(t, http.StatusOK, resp.StatusCode, "%s: %s", path, text)
	require.NoError(t, json.Unmarshal(text, into), "%s: %s", path, text)
}

// has says whether an expression returns data.
func (p prometheus) has(t *testing.T, expr string) bool {
	var answer struct {
		Data struct{ Result []json.RawMessage }
	}
	p.get(t, "/api/v1/query?query="+url.QueryEscape(expr), &answer)
	return len(answer.Data.Result) > 0
}

func (p prometheus) soonHas(t *testing.T, expr string) {
	t.Helper()
	agenttest.Soon(t, expr+" returns data", func() bool { return p.has(t, expr) })
}

// rules are the expressions of the rules it has loaded.
func (p prometheus) rules(t *testing.T) (out []string) {
	var loaded struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Query, Type string }
			}
		}
	}
	p.get(t, "/api/v1/rules", &loaded)
	alerts := 0
	for _, group := range loaded.Data.Groups {
		for _, rule := range group.Rules {
			out = append(out, rule.Query)
			if rule.Type == "alerting" {
				alerts++
			}
		}
	}
	rules, err := os.ReadFile(filepath.Join("..", "dashboards", "prometheus", "arcdrift.rules.yml"))
	require.NoError(t, err)
	require.Equal(t, strings.Count(string(rules), "- alert: "), alerts, "all alerting rules are loaded")
	return out
}
