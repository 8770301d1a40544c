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
	// Refresh returns the principal as the accounts now are, or why it is no longer
	// valid.
	Refresh(auth.Principal) (auth.Principal, error)
}

// sweepEvery is how often the principals of idle connections are checked.
const sweepEvery = time.Second

// mayWrite says whether the principal may publish to the topic. Everybody who may write
// anything may publish to an unknown topic: the message is refused, stored and
// acknowledged, as a device without an acknowledgement sends the same again for ever.
func mayWrite(p auth.Principal, topic string) bool {
	if strings.HasPrefix(topic, "$") {
		return false // the broker's own
	}
	if machine := machineOf(topic); machine != "" {
		return p.MayWrite(machine)
	}
	return p.MayWriteSome()
}

// passesOn says whether messages on the topic are passed on to its subscribers.
func passesOn(topic string) bool {
	at, ours := parse(topic)
	return ours && at.incoming()
}

// mayRead says whether the principal may subscribe to the filter. Nobody may read the
// broker's own statistics.
func mayRead(p auth.Principal, filter string) bool {
	if p.MayReadAll() {
		return !strings.HasPrefix(filter, "$")
	}
	at, ours := parse(filter)
	return ours && !strings.ContainsAny(at.machine, "+#*") && p.MayRead(at.machine)
}

// hook connects the broker to the handler and the authenticator.
type hook struct {
	mochi.HookBase
	server        *mochi.Server
	authenticator Authenticator
	handler       Handler
	log           *slog.Logger
	ctx           context.Context // of the broker's run: set before it serves
	principals    sync.Map        // *mochi.Client → *auth.Pass
	queue         chan queued
	known         *redeliveries
}

// queued is a message at QoS 1 that waits to be stored, and its sender.
type queued struct {
	client *mochi.Client
	packet packets.Packet
}

func newHook(server *mochi.Server, authenticator Authenticator, handler Handler, log *slog.Logger) *hook {
	return &hook{server: server, authenticator: authenticator, handler: handler, log: log, ctx: context.Background(),
		queue: make(chan queued, queueLength), known: newRedeliveries(handler.Now)}
}

// ID names the hook.
func (h *hook) ID() string { return "arcdrift" }

// Provides lists the events that the hook handles.
func (h *hook) Provides(what byte) bool {
	switch what {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnSessionEstablish, mochi.OnPacketRead, mochi.OnPublish, mochi.OnDisconnect:
		return true
	}
	return false
}

// OnConnectAuthenticate asks the authenticator.
func (h *hook) OnConnectAuthenticate(cl *mochi.Client, pk packets.Packet) bool {
	host, _, err := net.SplitHostPort(cl.Net.Remote)
	if err != nil {
		return false
	}
	user := string(cl.Properties.Username)
	pass, err := h.authenticator.Authenticate(Peer{Address: net.ParseIP(host), ID: cl.ID, User: user, Password: pk.Connect.Password})
	if err != nil {
		h.log.Warn("an MQTT client was not admitted", "client", cl.ID, "user", user, "from", cl.Net.Remote, "error", err)
		return false
	}
	h.principals.Store(cl, &pass)
	if conn, ok := cl.Net.Conn.(*guarded); ok {
		conn.Known()
	}
	return true
}

// OnSessionEstablish removes the last will: it is not a record that a device has sent.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	cl.Properties.Will = mochi.Will{}
	h.known.connected(cl.ID)
}

// OnPacketRead notes that the client is there. Before its CONNECT packet it has no id.
func (h *hook) OnPacketRead(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.ID != "" && pk.FixedHeader.Type != packets.Connect {
		h.known.seen(cl.ID)
	}
	return pk, nil
}

// OnDisconnect forgets the client's principal.
func (h *hook) OnDisconnect(cl *mochi.Client, _ error, _ bool) { h.principals.Delete(cl) }

// principal is the client's principal as the accounts now are. If it is no longer valid,
// the client is disconnected.
func (h *hook) principal(cl *mochi.Client) (auth.Principal, bool) {
	held, ok := h.principals.Load(cl)
	if !ok {
		return auth.Principal{}, false
	}
	pass, err := h.authenticator.Refresh(*held.(*auth.Principal))
	if err == nil {
		h.principals.CompareAndSwap(cl, held, &pass)
		return pass, true
	}
	if _, first := h.principals.LoadAndDelete(cl); first {
		h.log.Warn("an MQTT client was disconnected: its account is no longer valid", "client", cl.ID, "error", err)
		cl.Stop(packets.ErrNotAuthorized)
	}
	return auth.Principal{}, false
}

// sweep checks the principals of idle clients, too, until the broker's run ends.
func (h *hook) sweep() {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	for {
		select {
		case <-h.ctx.Done():
			return
		case <-tick.C:
			for cl := range h.principals.Range {
				h.principal(cl.(*mochi.Client))
			}
		}
	}
}

// OnACLCheck says whether the client may publish or subscribe to a topic.
func (h *hook) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	pass, ok := h.principal(cl)
	if !ok {
		return false
	}
	allowed := mayRead(pass, topic)
	if write {
		allowed = mayWrite(pass, topic)
	}
	if !allowed {
		h.log.Warn("an MQTT client has no right to this topic", "client", cl.ID, "user", pass.Name, "topic", topic, "write", write)
	}
	return allowed
}

// OnPublish takes a message. At QoS 1 it only queues it, and reports the packet as
// rejected: the broker then neither acknowledges nor passes it on, which serve does once
// it is stored. So a device may have many records in flight, and they share a commit. At
// other levels the message is stored before this returns.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	pk.FixedHeader.Retain = false // a new subscriber must not get an old record
	if pk.FixedHeader.Qos == 1 {
		select {
		case h.queue <- queued{cl, pk}:
		case <-h.ctx.Done():
		}
		return pk, packets.ErrRejectPacket
	}
	if len(h.keep([]queued{{cl, pk}})) == 0 {
		return pk, packets.ErrRejectPacket
	}
	return pk, nil
}

// serve stores the queued messages, those that wait together in one commit. Then it
// acknowledges them and passes them on. It runs until the broker's run ends.
func (h *hook) serve() {
	for {
		var row []queued
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
				h.log.Debug("a record is stored, but its sender has disconnected", "client", a.client.ID, "error", err)
			}
			if passesOn(a.packet.TopicName) {
				h.send(Message{Topic: a.packet.TopicName, Payload: a.packet.Payload})
			}
		}
	}
}

// keep stores the messages, sends their receipts and returns those that may be
// acknowledged: not those of clients that were disconnected meanwhile. If the messages
// cannot be stored, it ends the senders' connections, so that they send again, and
// returns nothing. An error from the hook would not do: the broker would acknowledge.
func (h *hook) keep(row []queued) (kept []queued) {
	var in []Message
	for _, a := range row {
		if by, ok := h.principal(a.client); ok {
			kept = append(kept, a)
			sent := delivery{a.client.ID, a.packet.PacketID, a.packet.FixedHeader.Dup}
			in = append(in, Message{Topic: a.packet.TopicName, Payload: a.packet.Payload, By: by, sent: sent})
		}
	}
	if len(kept) == 0 {
		return nil
	}
	out, err := h.handler.take(h.ctx, in, h.known)
	if err != nil {
		if !errors.Is(err, context.Canceled) {
			h.log.Warn("messages were not stored and not acknowledged; their senders have to send them again", "messages", len(kept), "client", kept[0].client.ID, "topic", kept[0].packet.TopicName, "error", err)
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

// send passes a message on to its subscribers.
func (h *hook) send(m Message) {
	if err := h.server.Publish(m.Topic, m.Payload, m.Retain, 1); err != nil {
		h.log.Warn("a message could not be passed on", "topic", m.Topic, "error", err)
	}
}
