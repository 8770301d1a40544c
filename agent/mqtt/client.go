package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync/atomic"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"arcdrift/agent/auth"
	"arcdrift/agent/backoff"
)

const (
	// queueLength bounds how many messages wait between the connection and the store.
	// For QoS 1 the broker's window is a bound, for QoS 0 there is no other.
	queueLength = 1024
	// batchLength is how many messages share one commit.
	batchLength = 256
	// patience is the longest wait for anything the broker should do.
	patience = 10 * time.Second
	// firstPause and longestPause are the bounds of the wait before a new connection.
	firstPause, longestPause = time.Second, time.Minute
	// quiesce is how long disconnecting may take, in milliseconds.
	quiesce = 250
)

// Join says which outside broker to join and as whom.
type Join struct {
	// URL is like tcp://host:1883 or ssl://host:8883.
	URL string
	// ID is the client id. It must be the same at every start: with another, the
	// broker's session and the messages that wait there are lost.
	ID             string
	User, Password string
	TLS            *tls.Config
	// Group is the name under which several agents share the messages: the broker gives
	// each message to one of them. "" is for one agent that gets all.
	Group string
}

// filter is the subscription: to everything, or to this agent's part of it. Shared
// subscriptions are of MQTT 5 (section 4.8.2); common brokers have them for 3.1.1 too.
func (j *Join) filter() string {
	if j.Group == "" {
		return everything
	}
	return "$share/" + j.Group + "/" + everything
}

// Client takes messages from an outside broker. It keeps one persistent session and
// acknowledges a message after the commit.
type Client struct {
	join    Join
	handler Handler
	log     *slog.Logger
	conn    atomic.Pointer[connection]
	why     atomic.Pointer[string] // it is not joined; nil while it is, and before the first try
	// known are the broker's deliveries, under the empty name.
	known *redeliveries
}

// connection is one paho client and its queue. After an error it is replaced and not
// used again.
type connection struct {
	paho.Client
	queue chan paho.Message
	// lost receives a value when a message found no room: only with a new connection
	// does it come again.
	lost chan struct{}
}

// NewClient returns a client that does nothing until it runs.
func NewClient(join Join, handler Handler, log *slog.Logger) *Client {
	return &Client{join: join, handler: handler, log: log, known: newRedeliveries(handler.Now)}
}

// String names the runner.
func (c *Client) String() string { return "mqtt client of " + c.join.URL }

// Ready returns nil while the connection to the broker is open.
func (c *Client) Ready() error {
	conn, why := c.conn.Load(), c.why.Load()
	switch {
	case why != nil:
		return fmt.Errorf("the MQTT broker %s is not connected: %s", c.join.URL, *why)
	case conn == nil || !conn.IsConnectionOpen():
		return fmt.Errorf("the MQTT broker %s is not connected", c.join.URL)
	}
	return nil
}

// connectionChanged is called by paho.
func (c *Client) connectionChanged(_ paho.Client, n paho.ConnectionNotification) {
	switch n := n.(type) {
	case paho.ConnectionNotificationFailed:
		c.broken(reason(n.Reason))
	case paho.ConnectionNotificationLost:
		c.broken("the connection was lost (" + n.Reason.Error() + ")")
	}
}

// broken notes why messages do not come.
func (c *Client) broken(why string) { c.why.Store(&why) }

// Run joins the broker and serves until ctx ends. It waits for a broker that cannot be
// reached and for a store that cannot take a message: neither is an error.
func (c *Client) Run(ctx context.Context) error {
	pauses := backoff.Pauses{First: firstPause, Longest: longestPause, Jitter: 0.5}
	failures := 0
	for {
		began := time.Now()
		err := c.serve(ctx)
		if ctx.Err() != nil {
			return nil
		}
		c.log.Warn("messages were not stored and not acknowledged; joining the broker again to receive them again", "broker", c.join.URL, "error", err)
		if time.Since(began) > longestPause {
			failures = 0
		}
		failures++
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pauses.After(failures, rand.Float64())):
		}
	}
}

// serve runs one connection until ctx ends or a message could not be kept.
func (c *Client) serve(ctx context.Context) error {
	conn := c.connect()
	defer conn.Disconnect(quiesce)
	c.conn.Store(conn)
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-conn.lost:
			return errors.New("messages came faster than they could be stored")
		case first := <-conn.queue:
			if err := c.take(ctx, conn, conn.batch(first)); err != nil {
				return err
			}
		}
	}
}

// connect begins a connection. Paho tries again after every failure and loss.
func (c *Client) connect() *connection {
	conn := &connection{queue: make(chan paho.Message, queueLength), lost: make(chan struct{}, 1)}
	opts := paho.NewClientOptions().AddBroker(c.join.URL).SetClientID(c.join.ID).
		SetUsername(c.join.User).SetPassword(c.join.Password).SetTLSConfig(c.join.TLS).
		SetCleanSession(false).SetAutoAckDisabled(true).SetOrderMatters(true).
		SetConnectRetry(true).SetConnectRetryInterval(firstPause).
		SetAutoReconnect(true).SetMaxReconnectInterval(longestPause).
		SetConnectTimeout(patience).SetWriteTimeout(patience).
		// Messages that waited in the session arrive before any subscription is made,
		// so the default handler has to take them.
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { conn.receive(m) }).
		SetConnectionLostHandler(func(paho.Client, error) { c.known.seen("") }).
		SetConnectionNotificationHandler(c.connectionChanged).
		SetOnConnectHandler(func(p paho.Client) {
			c.known.connected("")
			c.subscribe(p)
		})
	conn.Client = paho.NewClient(opts)
	conn.Connect()
	return conn
}

// subscribe runs at every connect, as a broker that restarted may have lost the
// subscription. The broker counts as joined only after it: one that refuses the
// subscription sends nothing.
func (c *Client) subscribe(p paho.Client) {
	filter := c.join.filter()
	token := p.Subscribe(filter, 1, nil)
	const refused = 0x80 // MQTT 3.1.1, section 3.9.3
	switch {
	case !token.WaitTimeout(patience):
		c.broken("it does not answer the subscription to " + filter)
	case token.Error() != nil:
		c.broken("the subscription to " + filter + " failed (" + token.Error().Error() + ")")
	case token.(*paho.SubscribeToken).Result()[filter] == refused:
		c.broken("it refused the subscription to " + filter + ": this user has no right to read there")
	default:
		c.why.Store(nil)
		c.log.Info("joined the MQTT broker", "broker", c.join.URL, "client", c.join.ID)
	}
}

// receive queues a message in the order of the broker. It never waits, as paho must go
// on reading. It ignores the agent's own messages, which come back.
func (k *connection) receive(m paho.Message) {
	if at, ours := parse(m.Topic()); ours && at.outgoing() {
		m.Ack()
		return
	}
	select {
	case k.queue <- m:
	default:
		select {
		case k.lost <- struct{}{}:
		default:
		}
	}
}

// batch is the first message and those that wait behind it, at most batchLength.
func (k *connection) batch(first paho.Message) []paho.Message {
	out := []paho.Message{first}
	for len(out) < batchLength {
		select {
		case m := <-k.queue:
			out = append(out, m)
		default:
			return out
		}
	}
	return out
}

// outside is the sender of a message at an outside broker. That broker decides who may
// publish where, so only the topic is known.
func outside(topic string) auth.Principal {
	at, _ := parse(topic)
	return auth.Principal{Role: auth.Device, Machines: auth.Machines{at.machine}}
}

// take stores the messages, sends the receipts and acknowledges the messages, in that
// order. On an error nothing was acknowledged.
func (c *Client) take(ctx context.Context, conn *connection, messages []paho.Message) error {
	in := make([]Message, len(messages))
	for i, m := range messages {
		in[i] = Message{sent: delivery{packet: m.MessageID(), again: m.Duplicate()}, Topic: m.Topic(), Retain: m.Retained(), Payload: m.Payload(), By: outside(m.Topic())}
	}
	c.known.seen("")
	out, err := c.handler.take(ctx, in, c.known)
	if err != nil {
		return err
	}
	tokens := make([]paho.Token, len(out))
	for i, m := range out {
		tokens[i] = conn.Publish(m.Topic, 1, m.Retain, m.Payload)
	}
	for _, m := range messages {
		m.Ack()
	}
	if err := settle(tokens); err != nil {
		c.log.Warn("records are stored, but a receipt could not be sent", "broker", c.join.URL, "error", err)
	}
	return nil
}

// Publish sends a message to all subscribers and returns when the broker has it.
func (c *Client) Publish(m Message) error {
	conn := c.conn.Load()
	if conn == nil || !conn.IsConnectionOpen() {
		return c.Ready()
	}
	return settle([]paho.Token{conn.Publish(m.Topic, 1, m.Retain, m.Payload)})
}

// settle waits for all tokens together, for a bounded time.
func settle(tokens []paho.Token) error {
	deadline := time.Now().Add(patience)
	for _, t := range tokens {
		if !t.WaitTimeout(time.Until(deadline)) {
			return errors.New("the broker does not answer")
		}
		if t.Error() != nil {
			return t.Error()
		}
	}
	return nil
}
