package mqtt

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
	"arcdrift/agent/faulttest"
	"arcdrift/agent/intake"
)

// keyAuthenticator asks real accounts, as the agent does.
type keyAuthenticator struct{ *auth.Authenticator }

func (g keyAuthenticator) Authenticate(p Peer) (auth.Principal, error) {
	// From elsewhere, whatever the test's address is: nobody is let in unnamed.
	pass, err := g.Authenticator.Authenticate(net.ParseIP("192.0.2.7"), p.User, string(p.Password))
	if err == nil {
		err = g.MayConnect(pass, p.ID)
	}
	return pass, err
}

// watchedIntake notes the machines of the submissions.
type watchedIntake struct {
	fakeIntake
	mu      sync.Mutex
	spokeOf map[string]int
}

func (d *watchedIntake) Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error) {
	d.mu.Lock()
	for _, o := range offers {
		d.spokeOf[o.Machine]++
	}
	d.mu.Unlock()
	return d.fakeIntake.Take(ctx, offers)
}

// hostile is the broker with two devices, one of which is hostile, and their
// secrets.
type hostile struct {
	addr       string
	keys       *auth.Keys
	records    *watchedIntake
	evil, good string
}

func newHostile(t *testing.T) *hostile {
	t.Helper()
	keys, err := auth.Open(filepath.Join(t.TempDir(), "access"))
	require.NoError(t, err)
	h := &hostile{keys: keys, records: &watchedIntake{spokeOf: map[string]int{}}}
	h.evil, err = keys.Add(auth.Account{Name: "evil", Role: auth.Device, Machines: auth.Machines{"E-*"}}, noon)
	require.NoError(t, err)
	h.good, err = keys.Add(auth.Account{Name: "good", Role: auth.Device, Machines: auth.Machines{"K-07"}}, noon)
	require.NoError(t, err)
	handler := Handler{Intake: h.records, Adviser: fakeAdviser{}, Now: func() time.Time { return noon }}
	_, h.addr = startBroker(t, keyAuthenticator{auth.NewAuthenticator(keys, auth.Policy{}, time.Now)}, handler)
	return h
}

// connectPacket is how the hostile device introduces itself.
func (h *hostile) connectPacket() *packets.ConnectPacket {
	c := packets.NewControlPacket(packets.Connect).(*packets.ConnectPacket)
	c.ProtocolName, c.ProtocolVersion, c.CleanSession, c.Keepalive = "MQTT", 4, true, 60
	c.ClientIdentifier, c.Username, c.Password = "evil", "evil", []byte(h.evil)
	c.UsernameFlag, c.PasswordFlag = true, true
	return c
}

func publishPacket(topic, payload string, retain bool) *packets.PublishPacket {
	p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
	p.TopicName, p.Payload, p.Qos, p.MessageID, p.Retain = topic, []byte(payload), 1, 7, retain
	return p
}

func subscribePacket(filter string) *packets.SubscribePacket {
	p := packets.NewControlPacket(packets.Subscribe).(*packets.SubscribePacket)
	p.Topics, p.Qoss, p.MessageID = []string{filter}, []byte{1}, 8
	return p
}

func bytesOf(t *testing.T, p packets.ControlPacket) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, p.Write(&b))
	return b.Bytes()
}

// say opens a connection, writes all, and returns what came back within a
// moment.
func (h *hostile) say(t *testing.T, said ...[]byte) []byte {
	t.Helper()
	conn, err := net.Dial("tcp", h.addr)
	require.NoError(t, err)
	defer conn.Close()
	for _, b := range said {
		if _, err := conn.Write(b); err != nil {
			break // it was shown out
		}
	}
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(patience)))
	heard := make([]byte, 4) // whether it is let in
	if _, err := io.ReadFull(conn, heard); err != nil {
		return nil
	}
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(30*time.Millisecond)))
	more, _ := io.ReadAll(conn) // until it ends or nothing more comes
	return append(heard, more...)
}

func (h *hostile) goodDevice(t *testing.T) paho.Client {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + h.addr).SetClientID("good").SetUsername("good").SetPassword(h.good).SetAutoReconnect(false))
	require.True(t, c.Connect().WaitTimeout(patience))
	require.True(t, c.IsConnectionOpen())
	t.Cleanup(func() { c.Disconnect(quiesce) })
	return c
}

// onlyItsOwn demands that nobody spoke but for the hostile device's machines,
// and that the good one neither lost its connection nor received anything.
func (h *hostile) onlyItsOwn(t *testing.T, good paho.Client, heard <-chan map[string]any) {
	t.Helper()
	h.records.mu.Lock()
	for machine := range h.records.spokeOf {
		assert.Regexp(t, `^(E-.*)?$`, machine) // "": refused, and nobody's
	}
	h.records.mu.Unlock()
	require.True(t, good.IsConnectionOpen(), "the other device lost its connection")
	select {
	case m := <-heard:
		require.Fail(t, "the other device heard", "%v", m)
	default:
	}
}

// People and devices write over MQTT what their role is for, and nothing else.
func TestRolesOverMQTT(t *testing.T) {
	h := newHostile(t)
	forbidden := map[auth.Role]map[string]string{
		auth.Crew:  {"service": `{"action":"replaced"}`, "setup": `{"scope":"machine","retired":true}`},
		auth.Bench: {"setup": `{"scope":"machine","retired":true}`},
		auth.Device: {"setup": `{"scope":"fleet","check_minutes":1000}`, "correction": `{"corrects":"a","reason":"r","fields":{"scope":"fleet"}}`,
			"usage": `{"machine":"K-08","arc_count":1}`},
	}
	tries := faulttest.Rounds(t, 2000)
	n := 0
	for role, records := range forbidden {
		secret, err := h.keys.Add(auth.Account{Name: string(role), Role: role, Machines: auth.Machines{"K-07"}}, noon)
		require.NoError(t, err)
		c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + h.addr).SetClientID(string(role)).SetUsername(string(role)).SetPassword(secret).SetAutoReconnect(false))
		require.True(t, c.Connect().WaitTimeout(patience))
		require.True(t, c.IsConnectionOpen())
		for i := range tries/len(forbidden) + 1 {
			for what, payload := range records {
				payload = fmt.Sprintf(`%s,"id":"x-%d"}`, payload[:len(payload)-1], i)
				token := c.Publish("arcdrift/v1/K-07/"+what, 1, false, payload)
				require.True(t, token.WaitTimeout(patience))
				require.NoError(t, token.Error(), "what is refused is acknowledged")
				n++
			}
		}
		c.Disconnect(quiesce)
	}
	assert.Zero(t, h.records.count(), "of %d", n)
	assert.Len(t, h.records.refused, n)
	faulttest.Bound(t, "record beyond its role that was taken over MQTT", n)
}

const usageOf7 = `{"type":"usage","machine":"K-07","arc_count":1}`

// A device with good credentials, speaking the protocol by hand, gets at nobody
// else's machines, connection or messages.
func TestHostileDevice(t *testing.T) {
	h := newHostile(t)
	good := h.goodDevice(t)
	heard := listen(t, good, "arcdrift/v1/K-07/#")
	connect := bytesOf(t, h.connectPacket())
	const refusedConnect = "\x20\x02"

	for name, said := range map[string][]byte{
		"another's topic":             bytesOf(t, publishPacket("arcdrift/v1/K-07/usage", usageOf7, false)),
		"another's topic, retained":   bytesOf(t, publishPacket("arcdrift/v1/K-07/state", `{"state":"stop"}`, true)),
		"its own outgoing topic":      bytesOf(t, publishPacket("arcdrift/v1/E-1/state", `{"state":"stop"}`, true)),
		"wildcard +":                  bytesOf(t, publishPacket("arcdrift/v1/+/usage", usageOf7, false)),
		"wildcard #":                  bytesOf(t, publishPacket("arcdrift/v1/#", usageOf7, false)),
		"a share":                     bytesOf(t, publishPacket("$share/g/arcdrift/v1/K-07/usage", usageOf7, false)),
		"the broker's own":            bytesOf(t, publishPacket("$SYS/broker/uptime", "1", true)),
		"no topic":                    bytesOf(t, publishPacket("", usageOf7, false)),
		"a machine within a machine":  bytesOf(t, publishPacket("arcdrift/v1/E-1/../K-07/usage", usageOf7, false)),
		"listens to all":              bytesOf(t, subscribePacket("#")),
		"listens to the other":        bytesOf(t, subscribePacket("arcdrift/v1/K-07/receipt")),
		"listens to all by prefix":    bytesOf(t, subscribePacket("arcdrift/v1/E-+/receipt")),
		"listens to every machine":    bytesOf(t, subscribePacket("arcdrift/v1/+/receipt")),
		"listens by a share":          bytesOf(t, subscribePacket("$share/g/arcdrift/v1/K-07/receipt")),
		"listens to the broker's own": bytesOf(t, subscribePacket("$SYS/#")),
	} {
		t.Run(name, func(t *testing.T) {
			answer := h.say(t, connect, said)
			require.GreaterOrEqual(t, len(answer), 4)
			require.Equal(t, []byte("\x20\x02\x00\x00"), answer[:4], "it is let in")
			for rest := bytes.NewReader(answer[4:]); rest.Len() > 0; {
				p, err := packets.ReadPacket(rest)
				require.NoError(t, err)
				switch p := p.(type) {
				case *packets.SubackPacket:
					assert.Equal(t, []byte{0x80}, p.ReturnCodes, "the subscription is refused")
				case *packets.DisconnectPacket:
				case *packets.PubackPacket: // kept as refused, for a machine of its own
					assert.Contains(t, []string{"its own outgoing topic", "a machine within a machine"}, name)
				default:
					assert.Fail(t, "it was answered", "%v", p)
				}
			}
			h.onlyItsOwn(t, good, heard)
		})
	}

	for name, change := range map[string]func(*packets.ConnectPacket){
		"takes the other's id":   func(c *packets.ConnectPacket) { c.ClientIdentifier = "good" },
		"takes the other's name": func(c *packets.ConnectPacket) { c.Username, c.ClientIdentifier = "good", "good" },
		"has no id":              func(c *packets.ConnectPacket) { c.ClientIdentifier = "" },
		"has no name":            func(c *packets.ConnectPacket) { c.UsernameFlag, c.PasswordFlag = false, false },
		"has no name, the other's id": func(c *packets.ConnectPacket) {
			c.UsernameFlag, c.PasswordFlag, c.ClientIdentifier = false, false, "good"
		},
		"has a wrong secret": func(c *packets.ConnectPacket) { c.Password = []byte("guess") },
	} {
		t.Run(name, func(t *testing.T) {
			c := h.connectPacket()
			change(c)
			answer := h.say(t, bytesOf(t, c), bytesOf(t, publishPacket("arcdrift/v1/K-07/usage", usageOf7, false)))
			if len(answer) > 0 {
				require.Equal(t, refusedConnect, string(answer[:2]))
				assert.NotZero(t, answer[3], "it was let in")
				assert.Len(t, answer, 4)
			}
			h.onlyItsOwn(t, good, heard)
		})
	}

	t.Run("last will on the other's topic", func(t *testing.T) {
		c := h.connectPacket()
		c.WillFlag, c.WillTopic, c.WillMessage, c.WillQos, c.WillRetain = true, "arcdrift/v1/K-07/usage", []byte(usageOf7), 1, true
		h.say(t, bytesOf(t, c))
		h.onlyItsOwn(t, good, heard)
	})

	publish(t, good, "arcdrift/v1/K-07/usage", usageOf7)
	assert.NotNil(t, next(t, heard), "the other device goes on as before")
}

// Whoever is removed is out at once: nothing that comes by its connection later is
// stored, and the connection ends although the client is idle.
func TestRemovedAccountIsDisconnected(t *testing.T) {
	rounds := faulttest.Rounds(t, 9)
	for range rounds {
		h := newHostile(t)
		conn, err := net.Dial("tcp", h.addr)
		require.NoError(t, err)
		_, err = conn.Write(bytesOf(t, h.connectPacket()))
		require.NoError(t, err)
		answer := make([]byte, 4)
		_, err = io.ReadFull(conn, answer)
		require.NoError(t, err)
		require.Equal(t, "\x20\x02\x00\x00", string(answer))
		good := h.goodDevice(t)
		require.NoError(t, h.keys.Remove("evil"))
		for range 100 {
			if _, err := conn.Write(bytesOf(t, publishPacket("arcdrift/v1/E-1/usage", `{"arc_count":1}`, false))); err != nil {
				break // it was shown out
			}
		}
		require.NoError(t, conn.SetReadDeadline(time.Now().Add(patience)))
		more, err := io.ReadAll(conn)
		assert.False(t, errors.Is(err, os.ErrDeadlineExceeded), "it is still connected")
		assert.Empty(t, more, "it was answered")
		require.NoError(t, conn.Close())
		h.records.mu.Lock()
		assert.Zero(t, h.records.spokeOf["E-1"], "records after the removal")
		h.records.mu.Unlock()

		heard := listen(t, good, "arcdrift/v1/K-07/#")
		require.NoError(t, h.keys.Remove("good"))
		require.Eventually(t, func() bool { return !good.IsConnectionOpen() }, patience, 5*time.Millisecond, "who only listens stays")
		assert.Empty(t, heard)
	}
	faulttest.Bound(t, "removed account that wrote or stayed", rounds)
}

// Packets that are spoilt at random, behind good credentials: whatever the
// broker makes of them, nobody gets at another's machine and it goes on.
func TestCorruptPackets(t *testing.T) {
	n := faulttest.Rounds(t, 500)
	h := newHostile(t)
	good := h.goodDevice(t)
	heard := listen(t, good, "arcdrift/v1/K-07/#")
	connect := bytesOf(t, h.connectPacket())
	templates := [][]byte{
		bytesOf(t, publishPacket("arcdrift/v1/E-1/usage", `{"arc_count":1}`, false)),
		bytesOf(t, publishPacket("arcdrift/v1/K-07/usage", usageOf7, true)),
		bytesOf(t, subscribePacket("arcdrift/v1/E-1/#")),
		bytesOf(t, packets.NewControlPacket(packets.Pubrel)),
		bytesOf(t, packets.NewControlPacket(packets.Pingreq)),
		connect,
	}
	random := rand.New(rand.NewPCG(21, 0))
	var all sync.WaitGroup
	slots := make(chan struct{}, 16)
	for range n {
		var said []byte
		for range 1 + random.IntN(4) {
			p := bytes.Clone(templates[random.IntN(len(templates))])
			for range random.IntN(4) {
				p[random.IntN(len(p))] = byte(random.Uint32())
			}
			said = append(said, p[:len(p)-random.IntN(2)*random.IntN(len(p))]...)
		}
		slots <- struct{}{}
		all.Go(func() {
			defer func() { <-slots }()
			h.say(t, connect, said)
		})
	}
	all.Wait()
	h.onlyItsOwn(t, good, heard)
	publish(t, good, "arcdrift/v1/K-07/usage", usageOf7)
	assert.NotNil(t, next(t, heard))
	faulttest.Bound(t, "spoilt packets that wrote for another machine or ended the broker", n)
}

// TestHostileControl: with a guard that lets everybody do everything, the same
// packets write for the other machine; so the tests above could see it.
func TestHostileControl(t *testing.T) {
	records := &watchedIntake{spokeOf: map[string]int{}}
	_, addr := startBroker(t, anyone{}, Handler{Intake: records, Adviser: fakeAdviser{}, Now: func() time.Time { return noon }})
	h := &hostile{addr: addr, records: records, evil: "any"}
	h.say(t, bytesOf(t, h.connectPacket()), bytesOf(t, publishPacket("arcdrift/v1/K-07/usage", usageOf7, false)))
	require.Eventually(t, func() bool {
		records.mu.Lock()
		defer records.mu.Unlock()
		return records.spokeOf["K-07"] == 1
	}, patience, 5*time.Millisecond)
}
