package web

import (
	"encoding/json"
	"errors"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// fakeAlerts are the alerts of the fake fleet, decided by the real state machine.
type fakeAlerts struct {
	policy alert.Policy
	state  alert.State
	view   alert.View
	ended  []alert.Outcome
	fail   error
	mu     sync.Mutex // what is worked out for a page
}

// begin opens the cases of machines an hour before noon.
func (d *fakeAlerts) begin(machines []Machine) {
	d.policy = alert.Policy{
		Right: map[alert.RuleName]float64{alert.MustStop: 0.9, alert.ElectrodesDue: 0.75},
		To:    map[alert.Severity][]string{alert.Stop: {"bench"}, alert.Plan: {"bench"}}, Zone: noon.Location(),
	}
	for _, m := range machines {
		d.view.Machines = append(d.view.Machines, alert.Machine{Assessment: m.Assessment, Spare: "3 at north"})
	}
	for _, at := range []time.Time{noon.Add(-2 * time.Hour), noon.Add(-time.Hour)} {
		d.state, _, _ = d.policy.Step(d.state, d.view, at)
	}
	d.ended = []alert.Outcome{
		{Rule: alert.ElectrodesDue, Opened: noon.AddDate(0, -1, 0), SentAt: noon.AddDate(0, -1, 0), Service: noon.AddDate(0, -1, 4), Finding: drift.Worn},
		{Rule: alert.ElectrodesDue, End: alert.Unannounced, Service: noon.AddDate(0, 0, -3), Finding: drift.Dirty},
	}
}

func (d *fakeAlerts) Open() []alert.Shown {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.policy.Show(d.state, d.view, noon)
}

func (d *fakeAlerts) Card(drift.Part) alert.Card {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.policy.Card(d.state, d.ended, alert.FoundIn(d.ended), len(d.view.Machines), noon)
}

func (d *fakeAlerts) Withheld() []alert.Withheld {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.policy.Scores = map[alert.RuleName]alert.Score{}
	for _, s := range alert.Scores(d.ended) {
		d.policy.Scores[s.Rule] = s
	}
	return d.policy.Withheld()
}

func (d *fakeAlerts) answer(next alert.State, err error) error {
	switch {
	case err != nil:
		return &drift.Problem{Reason: err.Error()}
	case d.fail != nil:
		return d.fail
	}
	d.state = next
	return nil
}

func (d *fakeAlerts) Acknowledge(subject string, rule alert.RuleName, by string) error {
	return d.answer(d.state.Acknowledge(subject, rule, by, noon))
}

func (d *fakeAlerts) Silence(subject string, rule alert.RuleName, quiet alert.Silence) error {
	return d.answer(d.state.Silence(subject, rule, quiet, noon))
}

func TestAlertsSay(t *testing.T) {
	f := yard()
	w := get(t, f, "/alerts")
	require.Equal(t, http.StatusOK, w.Code)
	seen := text(t, w)
	first := f.alerts.Open()[0]
	_, headed := strings.CutPrefix(first.Short, first.What+". ")
	require.True(t, headed, "a message begins with its headline")
	assert.Equal(t, 1, strings.Count(seen, first.What), "which the page does not say twice")
	assert.Equal(t, 2, strings.Count(seen, "Never look into a fibre"), "on each card that sends somebody to the electrodes")
	assert.Less(t, strings.Index(seen, "K-11: STOP"), strings.Index(seen, "K-07: Clean"), "the gravest first")
	for _, part := range []string{
		"K-11: STOP. Do not use this machine. Replace the electrodes", "Spare pair: 3 at north.", "sent 2 Mar 2026, 10:00",
		"K-07: Clean the electrodes by Thu 5 Mar", "not sent", "Switch the machine off, unplug it", "Never look into a fibre",
		"M-02: Calibrate before the next splice", "K-31: No record since", "75 in 100: listed only", "90 in 100: sent", "The rate per machine and month appears after the first month.",
		"worn or dirty 2 times: 1 with an alert at least 3 days before, 0 with a later alert, 1 without an alert. The median notice was 4.0 days.",
	} {
		assert.Contains(t, seen, part)
	}
	assert.LessOrEqual(t, len([]rune(first.Short)), 160)
	quiet := &fake{}
	seen = text(t, get(t, quiet, "/alerts"))
	assert.Contains(t, seen, "No open alerts.")
	assert.NotContains(t, seen, "unplug it")
}

func TestAlertIsAcknowledged(t *testing.T) {
	f := yard()
	w := submit(t, f, "/alerts", "subject", "K-11", "rule", "stop", "do", "acknowledge", "by", "J. Lund")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body)
	require.Equal(t, "/alerts?done=acknowledge", w.Header().Get("Location"))
	seen := text(t, get(t, f, "/alerts?done=acknowledge"))
	assert.Contains(t, seen, "acknowledged by J. Lund")
	assert.Contains(t, seen, "Acknowledged. No more messages are sent about it.")
}

func TestAlertIsSilenced(t *testing.T) {
	f := yard()
	w := submit(t, f, "/alerts", "subject", "K-07", "rule", "electrode-service", "do", "silence", "by", "J. Lund", "reason", "bench day is Thursday", "hours", "72")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body)
	assert.Contains(t, text(t, get(t, f, "/alerts")), "Silenced until 5 Mar 2026, 12:00 UTC+1 by J. Lund: bench day is Thursday")
}

func TestAlertAnswersThatAreNone(t *testing.T) {
	for _, c := range []struct {
		says  string
		pairs []string
	}{
		{"A name is missing", []string{"subject", "K-11", "rule", "stop", "do", "acknowledge", "by", " "}},
		{"K-09 has no open case of stop", []string{"subject", "K-09", "rule", "stop", "do", "acknowledge", "by", "J. Lund"}},
		{"A reason is missing", []string{"subject", "K-11", "rule", "stop", "do", "silence", "by", "J. Lund", "hours", "4"}},
		{"Hours is 721", []string{"subject", "K-11", "rule", "stop", "do", "silence", "by", "J. Lund", "reason", "x", "hours", "721"}},
		{"Hours is NaN", []string{"subject", "K-11", "rule", "stop", "do", "silence", "by", "J. Lund", "reason", "x", "hours", "NaN"}},
		{"must be acknowledge or silence", []string{"subject", "K-11", "rule", "stop", "do", "ignore", "by", "J. Lund"}},
	} {
		f := yard()
		before := f.alerts.state
		w := submit(t, f, "/alerts", c.pairs...)
		assert.Equal(t, http.StatusBadRequest, w.Code)
		checkHTML(t, w.Body.String())
		assert.Contains(t, text(t, w), c.says)
		assert.Equal(t, before, f.alerts.state)
	}
	f := yard()
	f.alerts.fail = errors.New("disk full")
	w := submit(t, f, "/alerts", "subject", "K-11", "rule", "stop", "do", "acknowledge", "by", "J. Lund")
	assert.Equal(t, http.StatusServiceUnavailable, w.Code)
	assert.Contains(t, text(t, w), "Not saved.")
}

func TestAlertsOverTheInterface(t *testing.T) {
	var got []struct {
		Subject, Matter, Class, Short string
	}
	require.NoError(t, json.Unmarshal(get(t, yard(), "/api/v1/alerts").Body.Bytes(), &got))
	require.Len(t, got, 4)
	assert.Equal(t, []string{"K-07", "electrode-service", "plan"}, []string{got[0].Subject, got[0].Matter, got[0].Class})
	assert.Equal(t, "[]", body(get(t, &fake{}, "/api/v1/alerts")))
}

func TestSpares(t *testing.T) {
	seen := text(t, get(t, yard(), "/spares"))
	assert.Contains(t, seen, "north")
	assert.Contains(t, seen, "Short by 1.")
	assert.Contains(t, seen, "6 days")
	assert.Contains(t, seen, "No depot stated")
	assert.Contains(t, seen, "1 machine has no forecast and is not counted.")
	var got []advise.Spares
	require.NoError(t, json.Unmarshal(get(t, yard(), "/api/v1/spares").Body.Bytes(), &got))
	assert.Equal(t, yard().spares, got)
	assert.Equal(t, "[]", body(get(t, &fake{}, "/api/v1/spares")))
}
