package mqtt

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"golang.org/x/net/netutil"
)

// The broker's limits. A fleet has thousands of machines. A session lasts a day; what a
// sender missed for longer it asks for again. A packet may be much larger than any
// record: a record that is refused is lost to its sender once, but a packet that cannot
// be read comes again and again.
const (
	maxPacket   = 1 << 20
	maxClients  = 10_000
	maxWaiting  = 1024 // messages to a client that does not read
	maxInFlight = 1024
	maxSession  = 24 * time.Hour
)

// Broker is the embedded broker: it acknowledges a record when it is durable here. It is
// not a general broker: it takes messages on the topics of this package, and passes on
// those and the answers.
type Broker struct {
	listener net.Listener
	server   *mochi.Server
	hook     *hook
}

// NewBroker returns a broker on the listener, which it owns from here on.
func NewBroker(listener net.Listener, authenticator Authenticator, handler Handler, log *slog.Logger) (*Broker, error) {
	return newBroker(listener, writeTime, authenticator, handler, log)
}

func newBroker(listener net.Listener, writeTime time.Duration, authenticator Authenticator, handler Handler, log *slog.Logger) (*Broker, error) {
	limits := mochi.NewDefaultServerCapabilities()
	limits.MaximumPacketSize = maxPacket
	limits.MaximumClients = maxClients
	limits.MaximumClientWritesPending = maxWaiting
	limits.MaximumInflight = maxInFlight
	limits.ReceiveMaximum = maxInFlight
	limits.MaximumSessionExpiryInterval = uint32(maxSession / time.Second)
	limits.MaximumMessageExpiryInterval = int64(maxSession / time.Second)
	limits.TopicAliasMaximum = 0 // the topic rules do not see through an alias
	server := mochi.New(&mochi.Options{
		Capabilities: limits,
		InlineClient: true,
		// It would log every connection that ends; the hook logs what matters.
		Logger: slog.New(slog.DiscardHandler),
	})
	b := &Broker{listener: listener, server: server, hook: newHook(server, authenticator, handler, log)}
	if err := server.AddHook(b.hook, nil); err != nil {
		return nil, fmt.Errorf("the MQTT broker cannot be set up: %w", err)
	}
	if err := server.AddListener(listeners.NewNet("mqtt", newListener(netutil.LimitListener(listener, maxClients), writeTime, log))); err != nil {
		return nil, fmt.Errorf("the MQTT broker cannot listen on %s: %w", listener.Addr(), err)
	}
	return b, nil
}

// String names the runner.
func (b *Broker) String() string { return "mqtt broker on " + b.listener.Addr().String() }

// Address is where it listens.
func (b *Broker) Address() string { return b.listener.Addr().String() }

// Ready returns nil: a broker listens from the start.
func (b *Broker) Ready() error { return nil }

// Run serves until ctx ends.
func (b *Broker) Run(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	b.hook.ctx = ctx
	var row sync.WaitGroup
	row.Go(b.hook.serve)
	row.Go(b.hook.sweep)
	defer row.Wait()
	defer stop()
	if err := b.server.Serve(); err != nil {
		return fmt.Errorf("the MQTT broker stopped: %w", err)
	}
	<-ctx.Done()
	if err := b.server.Close(); err != nil {
		return fmt.Errorf("the MQTT broker was not closed properly: %w", err)
	}
	return nil
}

// Publish sends a message to all subscribers.
func (b *Broker) Publish(m Message) error {
	return b.server.Publish(m.Topic, m.Payload, m.Retain, 1)
}
