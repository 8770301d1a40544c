package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/fleet"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/notify"
	"arcdrift/agent/store"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// wearing is the life of a machine whose pair wears until two sessions in a row
// are given up, in the hours before now. Each line is a record.
func wearing(machine string, now time.Time) []string {
	const days = 30
	var lines []string
	add := func(at time.Time, arcs int, more string) {
		lines = append(lines, fmt.Sprintf(`{"type":"calibration","machine":%q,"model":"type-1","time":%q,"arc_count":%d,"power_limit_pct":12,"meltback_target_um":250,"meltback_tolerance_um":10,"temperature_c":12,"humidity_pct":60,"altitude_m":400,%s}`,
			machine, at.Format(time.RFC3339), arcs, more))
	}
	for day := range days {
		at := now.AddDate(0, 0, day-days).Add(-10 * time.Hour)
		setting := 0.35 * float64(day)
		add(at, 60*day, fmt.Sprintf(`"attempt":1,"passed":true,"meltback_left_um":248,"meltback_right_um":247,"power_setting_pct":%.2f,"power_correction_pct":0.35`, setting))
	}
	for session := range 2 {
		for attempt := 1; attempt <= 4; attempt++ {
			at := now.Add(time.Duration(session-3) * time.Hour).Add(time.Duration(attempt) * time.Minute)
			add(at, 60*days+10*session+attempt, fmt.Sprintf(`"attempt":%d,"passed":false,"recleaved":true,"meltback_left_um":205,"meltback_right_um":208,"power_setting_pct":12,"power_correction_pct":0`, attempt))
		}
	}
	return lines
}

// repaired is the bench's record after a wearing.
func repaired(machine string, now time.Time) string {
	return fmt.Sprintf(`{"type":"service","machine":%q,"id":"bench-1","time":%q,"action":"replaced","finding":"worn","arc_count":0}`,
		machine, now.Add(-30*time.Minute).Format(time.RFC3339))
}

// alertsTo is a configuration of alerts as its settings would give it.
func alertsTo(t *testing.T, channels ...string) Alerts {
	raw := defaults()
	raw.alerts.channels = channels
	raw.alerts.secrets = []string{"hook=" + secretFile(t)}
	*raw.alerts.to[alert.Note] = []string{nobody}
	c, err := raw.alerts.valid(true)
	require.NoError(t, err)
	return c
}

// decidedOn waits until alerts were decided on so many records of a machine.
func decidedOn(t *testing.T, s *server, machine string, records int) {
	t.Helper()
	soon(t, fmt.Sprintf("%d records of %s are decided on", records, machine), func() bool {
		alerts := s.alerts.inForce
		alerts.mu.Lock()
		defer alerts.mu.Unlock()
		for _, m := range alerts.view.Machines {
			if m.Machine == machine {
				return m.Data.Records >= records
			}
		}
		return false
	})
}

// From a device's MQTT to everybody who has to know, with real servers all along:
// one message, none for a repeat, and one note when the bench has logged its work.
// The clock is the wall's, as that of the other servers is.
func TestAlertReachesEverybodyOnce(t *testing.T) {
	hook := newReceiver(t)
	am, broker := startAlertmanager(t), freeTCPPort(t)
	startMosquitto(t, broker)
	db, now := tempDB(t), time.Now().Truncate(time.Second)
	start := func() (*server, func()) {
		s, _, stop := startServerAt(t, db, time.Now, func(c *Config) {
			c.MQTTListen, c.Broker = "", &mqtt.Join{URL: "tcp://127.0.0.1:" + broker, ID: "agent"}
			c.Alerts = alertsTo(t, "hook="+hook.URL, "am=alertmanager+http://127.0.0.1:"+am)
		})
		soon(t, "the agent is ready", func() bool { return s.ready() == nil })
		return s, stop
	}
	s, stop := start()
	topic := mosquittoSub(t, broker, "arcdrift/v1/+/alert")
	startPrometheus(t, am, s.url())

	life := wearing("K-07", now)
	soon(t, "records arrive", func() bool {
		publishAll(t, broker, "K-07", "calibration", life...)
		_, known := s.mind.Snapshot().Assessment("K-07")
		return known
	})
	decidedOn(t, s, "K-07", len(life))
	soon(t, "the webhook has it", func() bool { return len(hook.told()) == 1 })
	require.Equal(t, []string{"alert stop K-07"}, hook.told())
	assert.LessOrEqual(t, len([]rune(hook.got[0].Short)), 160)
	assert.Contains(t, hook.got[0].Short, "K-07 STOP")
	assert.Contains(t, hook.got[0].Body, advise.CautionText())
	soon(t, "the topic has it", func() bool { return strings.Contains(topic.String(), `arcdrift/v1/K-07/alert {"key":"stop/K-07/`) })
	soon(t, "the Alertmanager has it from the agent and from Prometheus", func() bool {
		at := standing(t, am)
		return at["ArcdriftMachineMustStop K-07 by the agent"] && at["ArcdriftMachineMustStop K-07"]
	})
	assert.Contains(t, scraped(t, s), `arcdrift_alerts_firing{rule="stop"} 1`)

	publishAll(t, broker, "K-07", "calibration", life...)
	publishAll(t, broker, "K-07", "usage", fmt.Sprintf(`{"id":"u1","time":%q,"arc_count":1900}`, now.Add(-time.Hour).Format(time.RFC3339)))
	decidedOn(t, s, "K-07", len(life)+1)
	stop()
	s, stop = start() // with the case open
	decidedOn(t, s, "K-07", len(life)+1)
	publishAll(t, broker, "K-07", "service", repaired("K-07", now))
	decidedOn(t, s, "K-07", len(life)+2)
	soon(t, "the case is closed", func() bool { return len(hook.told()) > 1 })
	soon(t, "the Alertmanager knows", func() bool { return !standing(t, am)["ArcdriftMachineMustStop K-07 by the agent"] })
	assert.Equal(t, []string{"alert stop K-07", "cleared stop K-07"}, hook.told(), "one message, none for the repeat, one note")
	assert.Contains(t, scraped(t, s), `arcdrift_alerts_firing{rule="stop"} 0`)
	card := s.alerts.Card()
	assert.Equal(t, 1, card.Messages)
	assert.Equal(t, 1, card.Rules[0].Right, "the finding has told how it turned out")
	r := cli(t, Env{Now: time.Now}, "report", "--sent", "--db", db)
	require.Equal(t, exitDone, r.code, r.say)
	assert.Contains(t, r.answer, "1 message about 1 machine")
	// 10/11: Beta(9, 1) and one more that was right.
	assert.Regexp(t, `(?m)^stop +1 +1 +0 +0 +1\.00 +0\.91, sent$`, r.answer)
	assert.Contains(t, r.answer, "worn or dirty once: 0 told at least 3 days before, 1 later, 0 not told. The middle one of those told came 0.0 days ahead.")
	r = cli(t, Env{Now: time.Now}, "report", "--sent", "--db", db, "--format", "json")
	assert.Contains(t, r.answer, `"notice":{"found":1,"ahead":0,"late":1,"missed":0,"days":0}`)
	r = cli(t, Env{Now: time.Now}, "report", "--sent", "--db", db, "--format", "csv")
	assert.Equal(t, exitUsage, r.code)

	stop()
	s, _ = start()
	decidedOn(t, s, "K-07", len(life)+2)
	n, err := s.store.Waiting("hook")
	require.NoError(t, err)
	assert.Zero(t, n)
	assert.Len(t, hook.told(), 2, "a restart sends nothing again")
	assert.Equal(t, 1, strings.Count(topic.String(), `"kind":"alert"`), "%s", topic)
}

// scraped is the agent's own metrics.
func scraped(t *testing.T, s *server) string {
	resp, err := http.Get(s.url() + "/metrics")
	require.NoError(t, err)
	text, err := io.ReadAll(resp.Body)
	require.NoError(t, errors.Join(err, resp.Body.Close()))
	return string(text)
}

// An agent that is killed while a message is on its way brings it again under the
// same id, by which the receiver knows it; one killed afterwards never again. That
// nothing came in between is seen by the next message, as they come in order.
func TestKilledAgentTellsOnce(t *testing.T) {
	hook, db := newReceiver(t), tempDB(t)
	start := func() (kill func(), url string) {
		cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0",
			"--alert-channel", "hook="+hook.URL, "--alert-secret", "hook="+secretFile(t), "--alert-note", nobody)
		cmd.Stderr = t.Output()
		require.NoError(t, cmd.Start())
		url = awaitAgent(t, db)
		return func() {
			require.NoError(t, cmd.Process.Kill())
			_ = cmd.Wait() // it was killed, and says so
			require.NoError(t, os.Remove(addressFile(db)), "a killed agent leaves its address")
		}, url
	}
	hold := make(chan struct{})
	hook.setHold(hold)
	kill, url := start()
	require.True(t, postOnce(url, strings.Join(wearing("K-07", scriptMoment), "\n")))
	<-hold
	kill()
	hook.setHold(nil)
	kill, _ = start()
	soon(t, "it comes again", func() bool { return len(hook.told()) == 2 })
	settled := func() bool {
		resp, err := http.Get(awaitAgent(t, db) + "/metrics")
		require.NoError(t, err)
		text, err := io.ReadAll(resp.Body)
		require.NoError(t, errors.Join(err, resp.Body.Close()))
		return strings.Contains(string(text), `arcdrift_notify_waiting{channel="hook"} 0`)
	}
	soon(t, "the agent knows that it came", settled)
	kill()
	kill, url = start()
	require.True(t, postOnce(url, strings.Join(wearing("K-08", scriptMoment), "\n")))
	soon(t, "the next one comes", func() bool { return len(hook.told()) > 2 })
	kill()
	assert.Equal(t, []string{"alert stop K-07", "alert stop K-07", "alert stop K-08"}, hook.told())
	assert.Equal(t, hook.ids[0], hook.ids[1], "known by its id")
}

// emptyAlerting is the alerts of a store without a fleet.
func emptyAlerting(t *testing.T, s *store.Store, doors map[string]time.Time) *alerting {
	raw := defaults()
	c, err := raw.alerts.valid(false)
	require.NoError(t, err)
	now := func() time.Time { return scriptMoment }
	quiet := slog.New(slog.NewTextHandler(t.Output(), nil))
	a, err := newAlerting(c, s, fleet.New(book{s}, now, quiet), func() map[string]time.Time { return doors }, nil, now, quiet)
	require.NoError(t, err)
	return a
}

func openStore(t *testing.T) *store.Store {
	s, err := store.Open(tempDB(t), func() time.Time { return scriptMoment }, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// What the bench found, as the store has kept it, decides whether a rule sends:
// Beta(8, 2) with 2 right and 1 wrong has the mean 10/13 < 0.8, with 5 right and
// 1 wrong 13/16 ≥ 0.8.
func TestRulesEarnTheirSending(t *testing.T) {
	s := openStore(t)
	end := func(findings ...drift.Finding) float64 {
		var ended [][]byte
		for _, f := range findings {
			raw, err := json.Marshal(alert.Outcome{Rule: alert.ElectrodesDue, Finding: f})
			require.NoError(t, err)
			ended = append(ended, raw)
		}
		require.NoError(t, s.Decide([]byte("{}"), ended, nil))
		return emptyAlerting(t, s, nil).current().Right[alert.ElectrodesDue]
	}
	assert.InDelta(t, 0.8, end(), 1e-12, "nothing seen yet")
	assert.InDelta(t, 10.0/13, end(drift.Worn, drift.Dirty, drift.Fine), 1e-12)
	assert.InDelta(t, 13.0/16, end(drift.Worn, drift.Worn, drift.Worn, drift.OtherFault), 1e-12)
	assert.InDelta(t, 0.9, emptyAlerting(t, s, nil).current().Right[alert.MustStop], 1e-12, "each rule for itself")
}

// A service is news once, and at the first look after a start none is.
func TestServicesThatAreNews(t *testing.T) {
	view := func(hours map[string]int) (all []alert.Machine) {
		for _, name := range []string{"K-07", "K-08"} {
			m := alert.Machine{Assessment: advise.Assessment{Machine: name}}
			if h, ok := hours[name]; ok {
				m.Service.Time = scriptMoment.Add(time.Duration(h) * time.Hour)
			}
			all = append(all, m)
		}
		return all
	}
	fresh := func(now, before []alert.Machine) (names []string) {
		freshen(now, before)
		for _, m := range now {
			if m.Service.Fresh {
				names = append(names, m.Machine)
			}
		}
		return names
	}
	first := view(map[string]int{"K-07": 1})
	assert.Empty(t, fresh(first, nil))
	assert.Empty(t, fresh(view(map[string]int{"K-07": 1}), first))
	assert.Equal(t, []string{"K-07", "K-08"}, fresh(view(map[string]int{"K-07": 2, "K-08": -5}), first), "the latter was logged late")
	assert.Empty(t, fresh(view(map[string]int{"K-07": 0}), first), "the newest was taken back by a correction")
}

// scriptMoment is a Monday, 18:00 UTC. A door that spoke last on Friday has been
// quiet for less than a working day until Monday at the same time of day.
func TestDoorsRestOnDaysOff(t *testing.T) {
	friday := scriptMoment.AddDate(0, 0, -3)
	for since, want := range map[time.Duration]time.Duration{0: 72 * time.Hour, 48 * time.Hour: 48 * time.Hour, 72 * time.Hour: 24 * time.Hour} {
		a := emptyAlerting(t, openStore(t), map[string]time.Time{"mqtt": friday.Add(since)})
		assert.Equal(t, want, a.doorsAt(scriptMoment)[0].Limit, "%s", since)
	}
}

// A message that was delivered and could not be settled is settled later and not
// sent again.
func TestDeliveredButNotSettled(t *testing.T) {
	s := openStore(t)
	box := newOutbox(s)
	item := notify.Items([]alert.Action{{Key: "k", To: []string{"hook"}}})[0]
	p, err := parcelOf(item)
	require.NoError(t, err)
	require.NoError(t, s.Decide([]byte("{}"), nil, []store.OutboxItem{p}))
	got, any, err := box.Oldest("hook")
	require.NoError(t, err)
	require.True(t, any)
	assert.Equal(t, item, got)
	box.late["hook"] = got.Key // as a failed Settle leaves it
	_, any, err = box.Oldest("hook")
	require.NoError(t, err)
	assert.False(t, any)
	assert.Empty(t, box.late)
}

func TestSettleThatFailsIsRemembered(t *testing.T) {
	path := tempDB(t)
	s, err := store.Open(path, time.Now, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	box := newOutbox(s)
	require.Error(t, box.Settle(notify.Item{Key: "k", Channel: "hook"}), "the store is closed")
	assert.Equal(t, map[string]string{"hook": "k"}, box.late)
	_, _, err = box.Oldest("hook")
	assert.Error(t, err, "nothing is sent before it is settled")
}

func TestAgainUntilItWorks(t *testing.T) {
	n := 0
	require.NoError(t, again(t.Context(), time.Nanosecond, func() error {
		if n++; n < 3 {
			return errors.New("not yet")
		}
		return nil
	}))
	assert.Equal(t, 3, n)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.NoError(t, again(ctx, time.Hour, func() error { return errors.New("never") }))
}

func TestAnswersToAlerts(t *testing.T) {
	s, _, _ := startServer(t, tempDB(t), nil)
	status, body := post(t, s, strings.Join(wearing("K-07", scriptMoment), "\n"))
	require.Equal(t, http.StatusCreated, status, body)
	soon(t, "the case is open", func() bool { return len(s.alerts.Open()) == 1 })
	var problem *drift.Problem
	require.ErrorAs(t, s.alerts.Acknowledge("K-08", alert.MustStop, "J. Lund"), &problem)
	require.NoError(t, s.alerts.Acknowledge("K-07", alert.MustStop, "J. Lund"))
	require.NoError(t, s.alerts.Silence("K-07", alert.MustStop, alert.Silence{By: "J. Lund", Reason: "at the bench", Until: scriptMoment.Add(time.Hour)}))
	kept, err := s.store.Decided()
	require.NoError(t, err)
	assert.Contains(t, string(kept), `"taken":{"by":"J. Lund"`)
	assert.Contains(t, string(kept), `"reason":"at the bench"`)
}

// movable is a clock that a test turns.
type movable struct {
	mu sync.Mutex
	at time.Time
}

func (m *movable) now() time.Time {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.at
}

func (m *movable) set(at time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.at = at
}

// A channel that reaches nobody is itself told, by the other one, on the next
// working morning; what it should have carried waits for it.
func TestDeadChannelIsToldByAnother(t *testing.T) {
	hook, clock := newReceiver(t), &movable{at: scriptMoment}
	s, _, _ := startServerAt(t, tempDB(t), clock.now, func(c *Config) {
		c.MQTTListen = ""
		raw := defaults()
		raw.alerts.channels = []string{"hook=" + hook.URL, "gone=alertmanager+http://127.0.0.1:" + freeTCPPort(t)}
		raw.alerts.secrets = []string{"hook=" + secretFile(t)}
		*raw.alerts.to[alert.Note] = []string{nobody}
		var err error
		c.Alerts, err = raw.alerts.valid(false)
		require.NoError(t, err)
	})
	assert.Equal(t, []string{"hook"}, s.alerts.inForce.policy.Together, "people read a webhook; an Alertmanager groups by itself")
	life := wearing("K-07", scriptMoment)
	status, body := post(t, s, strings.Join(life, "\n"))
	require.Equal(t, http.StatusCreated, status, body)
	soon(t, "the stop is told", func() bool { return len(hook.told()) == 1 })
	failing := func() bool {
		p, any, err := s.store.Oldest("gone")
		require.NoError(t, err)
		return any && strings.Contains(string(p.Body), `"failing"`)
	}
	soon(t, "the other channel fails", failing)
	look := func(at time.Time, records int) {
		clock.set(at)
		status, body := post(t, s, fmt.Sprintf(`{"type":"usage","machine":"K-07","time":%q,"arc_count":%d}`, at.Format(time.RFC3339), 2000+records))
		require.Equal(t, http.StatusCreated, status, body)
		decidedOn(t, s, "K-07", len(life)+records)
	}
	look(scriptMoment.Add(notify.DeadAfter+time.Minute), 1)
	assert.Contains(t, scraped(t, s), `arcdrift_notify_channel_dead{channel="gone"} 1`)
	assert.Contains(t, scraped(t, s), `arcdrift_alerts_firing{rule="channel-dead"} 1`)
	assert.Len(t, hook.told(), 1, "not before the morning")
	look(time.Date(2026, 3, 3, 7, 1, 0, 0, time.UTC), 2)
	soon(t, "it is told", func() bool { return len(hook.told()) == 2 })
	assert.Equal(t, "alert channel-dead gone", hook.told()[1])
	n, err := s.store.Waiting("gone")
	require.NoError(t, err)
	assert.Equal(t, 1, n, "a dead channel cannot tell of itself")
}
