package server_test

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/alert"
	"arcdrift/agent/alerting"
	"arcdrift/agent/cli"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/notify"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// From a device's MQTT to everybody who has to know, with real servers all along:
// one message, none for a repeat, and one note when the bench has logged its work.
// The clock is the wall's, as that of the other servers is.
func TestAlertReachesEverybodyOnce(t *testing.T) {
	hook := agenttest.NewReceiver(t)
	am, broker := agenttest.Alertmanager(t), agenttest.FreePort(t)
	agenttest.Mosquitto(t, broker)
	db, now := agenttest.DB(t), time.Now().Truncate(time.Second)
	start := func() (*server.Server, func()) {
		s, _, stop := agenttest.StartAt(t, db, time.Now, func(c *server.Config) {
			c.MQTTListen, c.Broker = "", &mqtt.Join{URL: "tcp://127.0.0.1:" + broker, ID: "agent"}
			c.Alerts = agenttest.AlertsTo(t, "hook="+hook.URL, "am=alertmanager+http://127.0.0.1:"+am)
		})
		agenttest.Soon(t, "the agent is ready", func() bool { return s.Ready() == nil })
		return s, stop
	}
	s, stop := start()
	topic := agenttest.MosquittoSub(t, broker, "arcdrift/v1/+/alert")
	agenttest.Prometheus(t, am, s.URL())

	life := agenttest.Wearing("K-07", now)
	agenttest.Soon(t, "records arrive", func() bool {
		agenttest.PublishAll(t, broker, "K-07", "calibration", life...)
		return agenttest.Run(t, cli.Env{Now: time.Now}, "assess", "--db", db, "--machine", "K-07").Code == cli.ExitDone
	})
	decidedOn(t, s, "K-07", len(life))
	agenttest.Soon(t, "the webhook has it", func() bool { return len(hook.Told()) == 1 })
	require.Equal(t, []string{"alert stop K-07"}, hook.Told())
	assert.LessOrEqual(t, len([]rune(hook.Got[0].Short)), 160)
	assert.Contains(t, hook.Got[0].Short, "K-07: STOP")
	assert.Contains(t, hook.Got[0].Body, advise.CautionText())
	agenttest.Soon(t, "the topic has it", func() bool { return strings.Contains(topic.String(), `arcdrift/v1/K-07/alert {"key":"stop/K-07/`) })
	agenttest.Soon(t, "the Alertmanager has it from the agent and from Prometheus", func() bool {
		at := agenttest.Standing(t, am)
		return at["ArcdriftMachineMustStop K-07 by the agent"] && at["ArcdriftMachineMustStop K-07"]
	})
	assert.Contains(t, agenttest.Scraped(t, s), `arcdrift_alerts_firing{rule="stop"} 1`)

	agenttest.PublishAll(t, broker, "K-07", "calibration", life...)
	agenttest.PublishAll(t, broker, "K-07", "usage", fmt.Sprintf(`{"id":"u1","time":%q,"arc_count":1900}`, now.Add(-time.Hour).Format(time.RFC3339)))
	decidedOn(t, s, "K-07", len(life)+1)
	stop()
	s, stop = start() // with the case open
	decidedOn(t, s, "K-07", len(life)+1)
	agenttest.PublishAll(t, broker, "K-07", "service", agenttest.Repaired("K-07", now))
	decidedOn(t, s, "K-07", len(life)+2)
	agenttest.Soon(t, "the case is closed", func() bool { return len(hook.Told()) > 1 })
	agenttest.Soon(t, "the Alertmanager knows", func() bool { return !agenttest.Standing(t, am)["ArcdriftMachineMustStop K-07 by the agent"] })
	assert.Equal(t, []string{"alert stop K-07", "cleared stop K-07"}, hook.Told(), "one message, none for the repeat, one note")
	assert.Contains(t, agenttest.Scraped(t, s), `arcdrift_alerts_firing{rule="stop"} 0`)
	card := s.Alerts().Card(nil)
	assert.Equal(t, 1, card.Messages)
	assert.Equal(t, 1, card.Rules[0].Right, "the finding has told how it turned out")
	r := agenttest.Run(t, cli.Env{Now: time.Now}, "report", "--sent", "--db", db)
	require.Equal(t, cli.ExitDone, r.Code, r.Err)
	assert.Contains(t, r.Out, "1 message about 1 machine")
	// 10/11: Beta(9, 1) and one more that was right.
	assert.Regexp(t, `(?m)^stop +1 +1 +0 +0 +1\.00 +0\.91, sent$`, r.Out)
	assert.Contains(t, r.Out, "worn or dirty once: 0 announced at least 3 days before, 1 later, 0 not announced. The median notice was 0.0 days.")
	r = agenttest.Run(t, cli.Env{Now: time.Now}, "report", "--sent", "--db", db, "--format", "json")
	assert.Contains(t, r.Out, `"notice":{"found":1,"ahead":0,"late":1,"missed":0,"days":0}`)
	r = agenttest.Run(t, cli.Env{Now: time.Now}, "report", "--sent", "--db", db, "--format", "csv")
	assert.Equal(t, cli.ExitUsage, r.Code)

	stop()
	s, _ = start()
	decidedOn(t, s, "K-07", len(life)+2)
	n, err := s.Store().Waiting("hook")
	require.NoError(t, err)
	assert.Zero(t, n)
	assert.Len(t, hook.Told(), 2, "a restart sends nothing again")
	assert.Equal(t, 1, strings.Count(topic.String(), `"kind":"alert"`), "%s", topic)
}

// An agent that is killed while a message is on its way brings it again under the
// same id, by which the receiver knows it; one killed afterwards never again. That
// nothing came in between is seen by the next message, as they come in order.
func TestKilledAgentTellsOnce(t *testing.T) {
	hook, db := agenttest.NewReceiver(t), agenttest.DB(t)
	start := func() (kill func(), url string) {
		cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0",
			"--alert-channel", "hook="+hook.URL, "--alert-secret", "hook="+agenttest.SecretFile(t), "--alert-note", alerting.Nobody)
		cmd.Stderr = t.Output()
		require.NoError(t, cmd.Start())
		url = agenttest.Await(t, db)
		return func() {
			require.NoError(t, cmd.Process.Kill())
			_ = cmd.Wait() // it was killed, and says so
			require.NoError(t, os.Remove(reach.AddressFile(db)), "a killed agent leaves its address")
		}, url
	}
	hold := make(chan struct{})
	hook.SetHold(hold)
	kill, url := start()
	require.True(t, agenttest.PostOnce(url, strings.Join(agenttest.Wearing("K-07", agenttest.Now), "\n")))
	<-hold
	kill()
	hook.SetHold(nil)
	kill, _ = start()
	agenttest.Soon(t, "it comes again", func() bool { return len(hook.Told()) == 2 })
	settled := func() bool {
		resp, err := http.Get(agenttest.Await(t, db) + "/metrics")
		require.NoError(t, err)
		text, err := io.ReadAll(resp.Body)
		require.NoError(t, errors.Join(err, resp.Body.Close()))
		return strings.Contains(string(text), `arcdrift_notify_waiting{channel="hook"} 0`)
	}
	agenttest.Soon(t, "the agent knows that it came", settled)
	kill()
	kill, url = start()
	require.True(t, agenttest.PostOnce(url, strings.Join(agenttest.Wearing("K-08", agenttest.Now), "\n")))
	agenttest.Soon(t, "the next one comes", func() bool { return len(hook.Told()) > 2 })
	kill()
	assert.Equal(t, []string{"alert stop K-07", "alert stop K-07", "alert stop K-08"}, hook.Told())
	assert.Equal(t, hook.IDs[0], hook.IDs[1], "known by its id")
}

func TestAnswersToAlerts(t *testing.T) {
	s, _, _ := agenttest.Start(t, agenttest.DB(t), nil)
	status, body := agenttest.Post(t, s, strings.Join(agenttest.Wearing("K-07", agenttest.Now), "\n"))
	require.Equal(t, http.StatusCreated, status, body)
	agenttest.Soon(t, "the case is open", func() bool { return len(s.Alerts().Open()) == 1 })
	var problem *drift.Problem
	require.ErrorAs(t, s.Alerts().Acknowledge("K-08", alert.MustStop, "J. Lund"), &problem)
	require.NoError(t, s.Alerts().Acknowledge("K-07", alert.MustStop, "J. Lund"))
	require.NoError(t, s.Alerts().Silence("K-07", alert.MustStop, alert.Silence{By: "J. Lund", Reason: "at the bench", Until: agenttest.Now.Add(time.Hour)}))
	kept, err := s.Store().Decided()
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

// A channel that reaches nobody is itself reported by the other one, on the next
// working morning; what it should have carried waits for it.
func TestDeadChannelIsReportedByAnother(t *testing.T) {
	hook, clock := agenttest.NewReceiver(t), &movable{at: agenttest.Now}
	s, _, _ := agenttest.StartAt(t, agenttest.DB(t), clock.now, func(c *server.Config) {
		c.MQTTListen = ""
		c.Alerts = agenttest.AlertsTo(t, "hook="+hook.URL, "gone=alertmanager+http://127.0.0.1:"+agenttest.FreePort(t))
	})
	life := agenttest.Wearing("K-07", agenttest.Now)
	status, body := agenttest.Post(t, s, strings.Join(life, "\n"))
	require.Equal(t, http.StatusCreated, status, body)
	agenttest.Soon(t, "the stop is sent", func() bool { return len(hook.Told()) == 1 })
	failing := func() bool {
		p, any, err := s.Store().Oldest("gone")
		require.NoError(t, err)
		return any && strings.Contains(string(p.Body), `"failing"`)
	}
	agenttest.Soon(t, "the other channel fails", failing)
	look := func(at time.Time, records int) {
		clock.set(at)
		status, body := agenttest.Post(t, s, fmt.Sprintf(`{"type":"usage","machine":"K-07","time":%q,"arc_count":%d}`, at.Format(time.RFC3339), 2000+records))
		require.Equal(t, http.StatusCreated, status, body)
		decidedOn(t, s, "K-07", len(life)+records)
	}
	look(agenttest.Now.Add(notify.DeadAfter+time.Minute), 1)
	assert.Contains(t, agenttest.Scraped(t, s), `arcdrift_notify_channel_dead{channel="gone"} 1`)
	assert.Contains(t, agenttest.Scraped(t, s), `arcdrift_alerts_firing{rule="channel-dead"} 1`)
	assert.Len(t, hook.Told(), 1, "not before the morning")
	look(time.Date(2026, 3, 3, 7, 1, 0, 0, time.UTC), 2)
	agenttest.Soon(t, "it is sent", func() bool { return len(hook.Told()) == 2 })
	assert.Equal(t, "alert channel-dead gone", hook.Told()[1])
	n, err := s.Store().Waiting("gone")
	require.NoError(t, err)
	assert.Equal(t, 1, n, "a dead channel cannot report itself")
}
