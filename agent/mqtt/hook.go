package mqtt

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"
	"sync"

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

// Guard decides who may connect, and as what.
type Guard interface {
	Admit(Peer) (auth.Pass, error)
}

// mayWrite says whether the holder of the pass may publish to the topic.
func mayWrite(p auth.Pass, topic string) bool {
	at, ours := parse(topic)
	return ours && at.incoming() && p.MayWrite(at.machine)
}

// mayRead says whether the holder may subscribe to the filter. The broker's own
// statistics are nobody's business.
func mayRead(p auth.Pass, filter string) bool {
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
	guard  Guard
	desk   Desk
	log    *slog.Logger
	ctx    context.Context // of the broker's run: set before it serves
	passes sync.Map        // *mochi.Client → auth.Pass
}

func newHook(server *mochi.Server, guard Guard, desk Desk, log *slog.Logger) *hook {
	return &hook{server: server, guard: guard, desk: desk, log: log, ctx: context.Background()}
}

// ID names the hook.
func (h *hook) ID() string { return "arcdrift" }

// Provides lists what the hook attends to.
func (h *hook) Provides(what byte) bool {
	switch what {
	case mochi.OnConnectAuthenticate, mochi.OnACLCheck, mochi.OnSessionEstablish, mochi.OnPublish, mochi.OnDisconnect:
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
	pass, err := h.guard.Admit(Peer{Address: net.ParseIP(host), ID: cl.ID, User: user, Password: pk.Connect.Password})
	if err != nil {
		h.log.Warn("an MQTT client was not let in", "client", cl.ID, "user", user, "from", cl.Net.Remote, "err", err)
		return false
	}
	h.passes.Store(cl, pass)
	return true
}

// OnSessionEstablish takes away the last will: a record that nobody sent is no
// record.
func (h *hook) OnSessionEstablish(cl *mochi.Client, _ packets.Packet) {
	cl.Properties.Will = mochi.Will{}
}

// OnDisconnect forgets the pass.
func (h *hook) OnDisconnect(cl *mochi.Client, _ error, _ bool) { h.passes.Delete(cl) }

// OnACLCheck holds a client to its pass.
func (h *hook) OnACLCheck(cl *mochi.Client, topic string, write bool) bool {
	held, ok := h.passes.Load(cl)
	if !ok {
		return false
	}
	pass := held.(auth.Pass)
	allowed := mayRead(pass, topic)
	if write {
		allowed = mayWrite(pass, topic)
	}
	if !allowed {
		h.log.Warn("an MQTT client tried what it may not", "client", cl.ID, "user", pass.Name, "topic", topic, "write", write)
	}
	return allowed
}

// OnPublish keeps what came before the broker acknowledges it. On failure it
// rejects the packet, which withholds the acknowledgement, and ends the
// connection, which makes the sender try again. Any other error would let the
// broker acknowledge what is not kept.
func (h *hook) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	out, err := h.desk.take(h.ctx, []Message{{Topic: pk.TopicName, Payload: pk.Payload}})
	if err != nil {
		if !errors.Is(err, context.Canceled) {
			h.log.Warn("a message was not kept and not acknowledged; its sender has to send again", "client", cl.ID, "topic", pk.TopicName, "err", err)
		}
		cl.Stop(packets.ErrServerUnavailable)
		return pk, packets.ErrRejectPacket
	}
	for _, m := range out {
		if err := h.server.Publish(m.Topic, m.Payload, m.Retain, 1); err != nil {
			h.log.Warn("a record is kept, but its receipt could not be sent", "client", cl.ID, "topic", m.Topic, "err", err)
		}
	}
	pk.FixedHeader.Retain = false // an old record must not greet every new listener
	return pk, nil
}
