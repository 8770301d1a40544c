package mqtt

import (
	"errors"
	"io"
	"log/slog"
	"net"
	"net/url"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
	"arcdrift/drift"
)

const calibration = `{"id":"c1","time":"2026-03-02T07:45:00+01:00","passed":true}`

func TestBrokerStoresThenAcknowledges(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	device := publisher(t, addr, "van-3")
	receipts := listen(t, device, "arcdrift/v1/+/receipt")

	publish(t, device, "arcdrift/v1/K-07/calibration", calibration)
	assert.Equal(t, []string{"c1"}, records.ids, "the acknowledgement means that it is kept")
	assert.Equal(t, map[string]any{"id": "c1", "epoch": 1.0, "seq": 1.0, "duplicate": false}, next(t, receipts))

	publish(t, device, "arcdrift/v1/K-07/calibration", calibration)
	assert.Equal(t, true, next(t, receipts)["duplicate"])
	pub(t, addr, "arcdrift/v1/K-07/usage", `{"arc_count":1840}`)
	assert.Equal(t, 2.0, next(t, receipts)["seq"])
}

func TestRefusedIsStoredAcknowledgedAndReported(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	device := publisher(t, addr, "van-3")
	receipts := listen(t, device, "arcdrift/v1/+/receipt")
	for i, bad := range []struct {
		topic, payload string
		field          any
	}{
		{"arcdrift/v1/K-07/calibration", `{"passed":true,"humidity_pct":101}`, "humidity_pct"},
		{"arcdrift/v1/K-07/calibration", `{"type":"service","action":"cleaned"}`, "type"},
		{"arcdrift/v1/K-07/service", `{"action":"polished"}`, "action"},
		{"arcdrift/v1/K-07/setup", `{"scope":"fleet","check_minutes":1}`, "scope"},
		{"arcdrift/v1/K-07/usage", "\x00\x01\xff", nil},
		{"arcdrift/v1/K-07/usage", `{"arc_count":1,"site":"` + strings.Repeat("x", maxPacket/2) + `"}`, nil},
		{"arcdrift/v1/K-07/usage", ``, nil},
		{"arcdrift/v1/K-07/usage", `[1]`, nil},
		{"arcdrift/v1/not a machine/usage", `{"arc_count":1}`, "machine"},
	} {
		publish(t, device, bad.topic, bad.payload)
		refused, ok := next(t, receipts)["refused"].(map[string]any)
		require.True(t, ok, "%s %s", bad.topic, bad.payload)
		assert.Equal(t, bad.field, refused["field"], "%s %s", bad.topic, bad.payload)
		assert.NotEmpty(t, refused["reason"])
		require.Len(t, records.refused, i+1)
		assert.Equal(t, bad.payload, string(records.refused[i].Raw), "refused bytes are kept as they came")
	}
	assert.Zero(t, records.count())
}

// What comes on a topic that nothing is taken on is kept as refused, with the topic
// that was most likely meant, and acknowledged: before, an embedded broker ended the
// connection, and a device that sent it again at every connection came no further.
func TestUnknownTopicIsStoredAndHoldsNothingUp(t *testing.T) {
	keys, err := auth.Open(filepath.Join(t.TempDir(), "access"))
	require.NoError(t, err)
	secret, err := keys.Add(auth.Account{Name: "van-3", Role: auth.Device, Machines: auth.Machines{"K-07"}}, noon)
	require.NoError(t, err)
	handler, records := newHandler()
	_, addr := startBroker(t, keyAuthenticator{auth.NewAuthenticator(keys, auth.Policy{}, time.Now)}, handler)
	device := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("van-3").SetUsername("van-3").SetPassword(secret).SetAutoReconnect(false))
	require.True(t, device.Connect().WaitTimeout(patience))
	defer device.Disconnect(quiesce)
	heard := listen(t, device, "arcdrift/v1/K-07/#")
	for i, c := range []struct{ topic, machine, says string }{
		{"arcdrift/v1/K-07/calibrations", "K-07", "the nearest is arcdrift/v1/K-07/calibration"},
		{"arcdrift/v1/K-07/Calibration", "K-07", "the nearest is arcdrift/v1/K-07/calibration"},
		{"arcdrift/v1/K-07/usage/", "K-07", "the nearest is arcdrift/v1/K-07/usage"},
		{"arcdrift/v1/K-07/site-check", "K-07", "the nearest is arcdrift/v1/K-07/site-check/ask"},
		{"arcdrift/v1/K-07/state", "K-07", "is a topic on which only the agent publishes"},
		{"arcdrift/v1/K-07/temperature-of-the-yard", "K-07", "records go to arcdrift/v1/K-07/calibration, service, "},
		{"arcdrift/v1/K-07", "K-07", "records go to arcdrift/v1/K-07/"},
		{"arcdrft/v1/K-07/usages", "", "the nearest is arcdrift/v1/MACHINE/usage"},
		{"telemetry", "", "records go to arcdrift/v1/MACHINE/"},
		{strings.Repeat("x", 60_000), "", "records go to arcdrift/v1/MACHINE/"},
	} {
		publish(t, device, c.topic, `{"passed":true}`)
		require.Len(t, records.refused, i+1, c.topic)
		kept := records.refused[i]
		assert.Equal(t, c.machine, kept.Machine)
		assert.Equal(t, "topic", kept.Problem.Field)
		assert.Contains(t, kept.Problem.Reason, c.says, c.topic)
		assert.Less(t, len(kept.Problem.Error()), 400)
		assert.JSONEq(t, `{"passed":true}`, string(kept.Raw))
		if c.machine != "" {
			refused, ok := next(t, heard)["refused"].(map[string]any)
			require.True(t, ok, "what was sent there went on to who listens: %s", c.topic)
			assert.Contains(t, refused["reason"], c.says)
		}
	}
	for qos := range byte(3) {
		require.True(t, device.Publish("arcdrift/v1/K-07/usge", qos, true, "x").WaitTimeout(patience), "QoS %d", qos)
		next(t, heard)
	}
	publish(t, device, "arcdrift/v1/K-07/usage", `{"id":"u","arc_count":1}`)
	records.kept(t, 1)
	require.True(t, device.IsConnectionOpen())
}

func TestTopicIsOfOneMachine(t *testing.T) {
	o := submission(&Message{Topic: "arcdrift/v1/K-07/usage", Payload: []byte(`{"machine":"K-08","arc_count":5}`)})
	assert.Nil(t, o.Problem)
	assert.Equal(t, "K-07", o.Machine, "the intake refuses a record of another machine by this")
	assert.Equal(t, "K-08", o.Record.Machine)
}

func TestTopicFillsMissingFields(t *testing.T) {
	const topic = "arcdrift/v1/K-07/usage"
	for payload, machine := range map[string]string{
		`{"arc_count":5}`:                                "K-07",
		`{"type":"usage","arc_count":5}`:                 "K-07",
		`{"machine":null,"type":null,"arc_count":5}`:     "K-07",
		`{"type":"usage","arc_count":5,"machine":"K-8"}`: "K-8",
		` {"machine":"K-8","arc_count":5} `:              "K-8",
	} {
		o := submission(&Message{Topic: topic, Payload: []byte(payload)})
		require.Nil(t, o.Problem, payload)
		assert.Equal(t, machine, o.Record.Machine, payload)
		assert.Equal(t, drift.TypeUsage, o.Record.Type, payload)
	}
	for payload, field := range map[string]string{
		`{"type":"splice","count":5}`: "type", // it is not the topic's
		`{}`:                          "arc_count",
		`null`:                        "",
		`[]`:                          "",
		`{"arc_count":`:               "",
	} {
		o := submission(&Message{Topic: topic, Payload: []byte(payload)})
		require.NotNil(t, o.Problem, payload)
		assert.Equal(t, field, o.Problem.Field, payload)
		assert.Equal(t, payload, string(o.Raw))
	}
}

// A sender whose record cannot be kept gets no acknowledgement and loses its
// connection; its library then connects again and sends again.
func TestNothingIsAcknowledgedThatIsNotStored(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	lost := make(chan error, 10)
	device := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("van-3").SetCleanSession(false).
		SetMaxReconnectInterval(100 * time.Millisecond).SetConnectionLostHandler(func(_ paho.Client, err error) { lost <- err }))
	require.True(t, device.Connect().WaitTimeout(patience))
	defer device.Disconnect(quiesce)

	records.breakWith(errors.New("no space left on device"))
	device.Publish("arcdrift/v1/K-07/calibration", 1, false, calibration)
	select {
	case <-lost:
	case <-time.After(patience):
		require.Fail(t, "the connection stayed although the record was lost")
	}
	assert.Zero(t, records.count())
	records.breakWith(nil)
	records.kept(t, 1)
}

func TestRetainedRecordsAreOrdinaryRepeats(t *testing.T) {
	handler, records := newHandler()
	b, addr := startBroker(t, anyone{}, handler)
	pub(t, addr, "arcdrift/v1/K-07/calibration", calibration, "-r")
	require.NoError(t, b.Publish(About("K-07", State, []byte(`{"state":"fit"}`), true)))
	records.kept(t, 1)
	seen := listen(t, publisher(t, addr, "late"), "arcdrift/v1/#")
	assert.Equal(t, map[string]any{"state": "fit"}, next(t, seen), "the state is retained, the record is not")
	assert.Empty(t, seen)
}

func TestQuestionAndAnswer(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	device := publisher(t, addr, "van-3")
	answers := listen(t, device, "arcdrift/v1/K-07/site-check/answer")

	publish(t, device, "arcdrift/v1/K-07/site-check/ask", `{"temperature_c":4,"ask_id":"q1"}`)
	a := next(t, answers)
	assert.Equal(t, "no-need", a["answer"])
	assert.Equal(t, "q1", a["ask_id"])
	assert.Equal(t, "2026-03-02T12:00:00Z", a["as_of"], "now, when no time is given")

	publish(t, device, "arcdrift/v1/K-07/site-check/ask", `{"machine":"K-08","temperature_c":4,"ask_id":"q2"}`)
	a = next(t, answers)
	assert.Equal(t, "q2", a["ask_id"])
	assert.Equal(t, "machine", a["refused"].(map[string]any)["field"])
	assert.Zero(t, records.taken, "a question is no record")

	broken := listen(t, device, "arcdrift/v1/K-00/site-check/answer")
	publish(t, device, "arcdrift/v1/K-00/site-check/ask", `{"temperature_c":4}`)
	assert.Equal(t, "the model cannot be read", next(t, broken)["refused"].(map[string]any)["reason"])
}

// oneMachine admits a device that says its machine's name as its user name.
type oneMachine struct{}

func (oneMachine) Authenticate(p Peer) (auth.Principal, error) {
	if p.User == "" || string(p.Password) != "secret-"+p.User {
		return auth.Principal{}, auth.ErrWrong
	}
	return auth.Principal{Name: p.User, Role: auth.Device, Machines: auth.Machines{p.User}}, nil
}

func (oneMachine) Refresh(p auth.Principal) (auth.Principal, error) { return p, nil }

func TestADeviceIsLimitedToItsMachines(t *testing.T) {
	one, every := auth.Principal{Role: auth.Device, Machines: auth.Machines{"K-07", "L-*"}}, auth.Principal{Role: auth.Manager}
	reader := auth.Principal{Role: auth.Reader}
	for _, c := range []struct {
		topic      string
		one, every bool
	}{
		{"arcdrift/v1/K-07/calibration", true, true},
		{"arcdrift/v1/K-07/site-check/ask", true, true},
		{"arcdrift/v1/K-08/calibration", false, true},
		{"arcdrift/v1/K-07/calibrations", true, true}, // what comes there is refused and kept
		{"arcdrift/v1/K-07/receipt", true, true},
		{"arcdrift/v1/K-07", true, true},
		{"arcdrift/v2/K-07/calibration", true, true},
		{"arcdrift/v1/K-08/calibrations", false, true},
		{"$SYS/broker/uptime", false, false},
	} {
		assert.Equal(t, c.one, mayWrite(one, c.topic), "K-07 writes %s", c.topic)
		assert.Equal(t, c.every, mayWrite(every, c.topic), "a writer writes %s", c.topic)
		assert.False(t, mayWrite(reader, c.topic), "a reader writes %s", c.topic)
	}
	for _, c := range []struct {
		filter     string
		one, every bool
	}{
		{"arcdrift/v1/K-07/receipt", true, true},
		{"arcdrift/v1/K-07/#", true, true},
		{"arcdrift/v1/L-3/alert", true, true},
		{"arcdrift/v1/L-+/alert", false, true},
		{"arcdrift/v1/L-*/alert", false, true},
		{"arcdrift/v1/K-08/receipt", false, true},
		{"arcdrift/v1/#", false, true},
		{"arcdrift/v1/+/receipt", false, true},
		{"#", false, true},
		{"$SYS/#", false, false},
		{"$share/g/arcdrift/v1/K-07/receipt", false, false},
	} {
		assert.Equal(t, c.one, mayRead(one, c.filter), "K-07 reads %s", c.filter)
		assert.Equal(t, c.every, mayRead(every, c.filter), "a writer reads %s", c.filter)
		assert.Equal(t, c.every, mayRead(reader, c.filter), "a reader reads %s", c.filter)
	}
}

func TestAuthenticationAtConnect(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, oneMachine{}, handler)
	connect := func(user, password string) paho.Client {
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("van").SetUsername(user).SetPassword(password).SetAutoReconnect(false))
		token := c.Connect()
		require.True(t, token.WaitTimeout(patience))
		if token.Error() != nil {
			return nil
		}
		t.Cleanup(func() { c.Disconnect(quiesce) })
		return c
	}
	assert.Nil(t, connect("", ""), "nobody without a name")
	assert.Nil(t, connect("K-07", "wrong"), "nobody with a wrong password")
	device := connect("K-07", "secret-K-07")
	require.NotNil(t, device)
	publish(t, device, "arcdrift/v1/K-07/usage", `{"arc_count":1}`)
	records.kept(t, 1)
	device.Publish("arcdrift/v1/K-08/usage", 1, false, `{"arc_count":1}`)
	require.Eventually(t, func() bool { return !device.IsConnectionOpen() }, patience, 5*time.Millisecond, "another machine's topic ends the connection")
	assert.Equal(t, 1, records.count())
}

func TestLastWillIsNoRecord(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	seen := listen(t, publisher(t, addr, "listener"), "arcdrift/v1/#")
	var wire net.Conn
	dying := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://"+addr).SetClientID("dying").SetAutoReconnect(false).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) {
			var err error
			wire, err = net.Dial("tcp", addr)
			return wire, err
		}).
		SetWill("arcdrift/v1/K-07/calibration", calibration, 1, true))
	require.True(t, dying.Connect().WaitTimeout(patience))
	require.NoError(t, wire.(*net.TCPConn).CloseWrite(), "without a goodbye")
	require.Eventually(t, func() bool { return !dying.IsConnectionOpen() }, patience, 5*time.Millisecond)
	publish(t, publisher(t, addr, "living"), "arcdrift/v1/K-08/usage", `{"arc_count":1}`)
	assert.Equal(t, 1.0, next(t, seen)["seq"], "the first to be seen is this record's receipt, not the will")
	assert.Equal(t, 1, records.count())
}

func TestHugePacketEndsTheConnection(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	device := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("big").SetAutoReconnect(false))
	require.True(t, device.Connect().WaitTimeout(patience))
	device.Publish("arcdrift/v1/K-07/usage", 1, false, `{"arc_count":1,"site":"`+strings.Repeat("x", maxPacket)+`"}`)
	require.Eventually(t, func() bool { return !device.IsConnectionOpen() }, patience, 5*time.Millisecond)
	assert.Zero(t, records.taken)
}

func TestSenderWaitsForAcknowledgements(t *testing.T) {
	handler, records := newHandler()
	_, addr := startBroker(t, anyone{}, handler)
	s, err := NewSender("tcp://"+addr, "van-3")
	require.NoError(t, err)
	defer s.Close()
	const many = 3 * inFlight
	for n := range many {
		require.NoError(t, s.Send(t.Context(), "K-07", "usage", []byte(usage(n))))
	}
	require.NoError(t, s.Settle(t.Context()))
	assert.Equal(t, many, records.count(), "settled means kept")
	_, err = NewSender("tcp://127.0.0.1:1", "nobody")
	require.ErrorContains(t, err, "cannot be joined")
}

// A peer that connects and says nothing is shown out, and does not keep the
// broker from closing.
func TestSilentClientIsDisconnected(t *testing.T) {
	handler, _ := newHandler()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	b, err := NewBroker(listener, anyone{}, handler, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	stop := run(t, b.Run)
	first, err := net.Dial("tcp", b.Address())
	require.NoError(t, err)
	defer func() { require.NoError(t, first.Close()) }()
	_, err = first.Read(make([]byte, 1))
	require.ErrorIs(t, err, io.EOF, "shown out after the time for a greeting")
	second, err := net.Dial("tcp", b.Address())
	require.NoError(t, err)
	defer func() { require.NoError(t, second.Close()) }()
	stop()
}
