package mqtt

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"arcdrift/agent/auth"
)

// Peer is who wants to connect.
type Peer struct {
	Address  net.IP
	ID, User string
	Password []byte
}

// Authenticator decides who may connect, and as what.
type Authenticator interface {
	Authenticate(Peer) (auth.Principal, error)
	// Refresh returns the principal as the accounts now are, or why it is none any more.
	Refresh(auth.Principal) (auth.Principal, error)
}

// sweepEvery is how often connections on which nothing is said are looked at:
// whether what they were let in by still holds.
const sweepEvery = time.Second

// mayWrite says whether the holder of the pass may publish to the topic. One that
// nothing is taken on hinders nobody who may write at all: what comes there is
// refused, kept and acknowledged, for a device that hears nothing sends the same
// again for ever.
func mayWrite(p auth.Principal, topic string) bool {
	if strings.HasPrefix(topic, "$") {
		return false // the broker's own
	}
	if machine := speaksFor(topic); machine != "" {
		return p.MayWrite(machine)
	}
	return p.MayWriteSome()
}

// passesOn says whether what came on the topic goes on to who listens there.
func passesOn(topic string) bool {
	at, ours := parse(topic)
	return ours && at.incoming()
}

// mayRead says whether the holder may subscribe to the filter. The broker's own
// statistics are nobody's business.
func mayRead(p auth.Principal, filter string) bool {
	if p.MayReadAll() {
		return !strings.HasPrefix(filter, "$")
	}
	at, ours := parse(filter)
	return ours && !strings.ContainsAny(at.machine, "+#*") && p.MayRead(at.machine)
}

// hook ties the broker to the desk and to the guard.
type hook struct {
	mochi.HookBase
	server *mochi.Server
	guard  Authenticator
	desk   Handler
	log    *slog.Logger
	ctx    context.Context // of the broker's run: set before it serves
	passes sync.Map        // *mochi.Client → *auth.Pass
	queue  chan arrival
	known  *redeliveries
}

// arrival is a message at QoS 1 that waits to be kept, and who sent it.
type arrival struct {
	client *mochi.Client
	packet packets.Packet
}

func newHook(server *mochi.Server, guard Authenticator, desk Handler, log *slog.Logger) *hook {
	return &hook{server: server, guard: guard, desk: desk, log: log, ctx: context.Background(),
		queue: make(chan arrival, queueLength), known: newRedeliveries(desk.Now)}
}

// ID names the hook.
func (h *hook) ID() string { return "arcdrift" }

// Provides lists what the hook attends to.
func (h *hook) Provides(what byte) bool {
	switch what {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnSessionEstablish, mochi.OnPacketRead, mochi.OnPublish, mochi.OnDisconnect:
		return true
	}
	return false
}

// OnConnectAuthenticate asks the guard.
func (h *hook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	host, _, err := net.SplitHostPort(cl.Net.Remote)
	if err != nil {
		return false
	}
	user := string(cl.Properties.Username)
	pass, err := h.guard.Authenticate(Peer{Address: net.ParseIP(host), ID: cl.ID, User: user, Password: pk.Connect.Password})
	if err != nil {
		h.log.Warn("an MQTT client was not let in", "client", cl.ID, "user", user, "from", cl.Net.Remote, "error", err)
		return false
	}
	h.passes.Store(cl, &pass)
	if conn, ok := cl.Net.Conn.(*arriving); ok {
		conn.Known()
	}
	return true
}

// OnSessionEstablish takes away the last will: a record that nobody sent is no
// record.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	cl.Properties.Will = mochi.Will{}
	h.known.began(cl.ID)
}

// OnPacketRead notes that the client is there. It has no id before it said it.
func (h *hook) OnPacketRead(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.ID != "" && pk.FixedHeader.Type != packets.Connect {
		h.known.heard(cl.ID)
	}
	return pk, nil
}

// OnDisconnect forgets the pass.
func (h *hook) OnDisconnect(cl *mochi.Client, _ error, _ bool) { h.passes.Delete(cl) }

// pass is what the client was let in as, as it is at this moment. If it does not
// hold any more, the client is shown out.
func (h *hook) pass(cl *mochi.Client) (auth.Principal, bool) {
	held, ok := h.passes.Load(cl)
	if !ok {
		return auth.Principal{}, false
	}
	pass, err := h.guard.Refresh(*held.(*auth.Principal))
	if err == nil {
		h.passes.CompareAndSwap(cl, held, &pass)
		return pass, true
	}
	if _, first := h.passes.LoadAndDelete(cl); first {
		h.log.Warn("an MQTT client was shown out", "client", cl.ID, "error", err)
		cl.Stop(packets.ErrNotAuthorized)
	}
	return auth.Principal{}, false
}

// sweep shows out those who say nothing, too, until the broker's run ends.
func (h *hook) sweep() {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		select {
		case <-h.ctx.Done():
			return
		case <-tick.C:
			for cl := range h.passes.Range {
				h.pass(cl.(*mochi.Client))
			}
		}
	}
}

// OnACLCheck holds a client to its pass.
func (h *hook) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	pass, ok := h.pass(cl)
	if !ok {
		return false
	}
	allowed := mayRead(pass, topic)
	if write {
		allowed = mayWrite(pass, topic)
	}
	if !allowed {
		h.log.Warn("an MQTT client tried what it may not", "client", cl.ID, "user", pass.Name, "topic", topic, "write", write)
	}
	return allowed
}

// OnPublish takes what came. At QoS 1 it only puts it into the row: the broker,
// told that the packet is rejected, neither acknowledges nor passes it on, which
// is done once it is kept. So one device may have many records on their way and
// they share a commit. Anything else is kept before this returns.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	pk.FixedHeader.Retain = false // an old record must not greet every new listener
	if pk.FixedHeader.Qos == 1 {
		select {
		case h.queue <- arrival{cl, pk}:
		case <-h.ctx.Done():
		}
		return pk, packets.ErrRejectPacket
	}
	if len(h.keep([]arrival{{cl, pk}})) == 0 {
		return pk, packets.ErrRejectPacket
	}
	return pk, nil
}

// serve keeps what is in the row, as many together as wait, and then
// acknowledges and passes on, until the broker's run ends.
func (h *hook) serve() {
	for {
		var row []arrival
		select {
		case a := <-h.queue:
			row = append(row, a)
		case <-h.ctx.Done():
			return
		}
		for more := true; more && len(row) < batchLength; {
			select {
			case a := <-h.queue:
				row = append(row, a)
			default:
				more = false
			}
		}
		for _, a := range h.keep(row) {
			ack := packets.Packet{FixedHeader: packets.FixedHeader{Type: packets.Puback}, PacketID: a.packet.PacketID, ProtocolVersion: a.packet.ProtocolVersion}
			if err := a.client.WritePacket(ack); err != nil {
				h.log.Debug("a record is kept, but its sender has gone", "client", a.client.ID, "error", err)
			}
			if passesOn(a.packet.TopicName) {
				h.send(Message{Topic: a.packet.TopicName, Payload: a.packet.Payload})
			}
		}
	}
}

// keep keeps the messages, sends their receipts and returns those that may be
// acknowledged: not what came from somebody who was shown out meanwhile. On
// failure it ends the senders' connections, which makes them send again, and
// nothing may be acknowledged; any other error of a hook would let the broker
// acknowledge.
func (h *hook) keep(row []arrival) (kept []arrival) {
	var in []Message
	for _, a := range row {
		if by, ok := h.pass(a.client); ok {
			kept = append(kept, a)
			sent := delivery{a.client.ID, a.packet.PacketID, a.packet.FixedHeader.Dup}
			in = append(in, Message{Topic: a.packet.TopicName, Payload: a.packet.Payload, By: by, sent: sent})
		}
	}
	if len(kept) == 0 {
		return nil
	}
	out, err := h.desk.take(h.ctx, in, h.known)
	if err != nil {
		if !errors.Is(err, context.Canceled) {
			h.log.Warn("messages were not kept and not acknowledged; their senders have to send again", "messages", len(kept), "client", kept[0].client.ID, "topic", kept[0].packet.TopicName, "error", err)
		}
		for _, a := range kept {
			a.client.Stop(packets.ErrServerUnavailable)
		}
		return nil
	}
	for _, m := range out {
		h.send(m)
	}
	return kept
}

// send passes a message on to whoever listens.
func (h *hook) send(m Message) {
	if err := h.server.Publish(m.Topic, m.Payload, m.Retain, 1); err != nil {
		h.log.Warn("what was kept could not be told", "topic", m.Topic, "error", err)
	}
}
