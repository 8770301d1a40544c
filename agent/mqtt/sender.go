package mqtt

import (
	"context"
	"fmt"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// inFlight is how many messages of a sender may wait for an acknowledgement.
const inFlight = 64

// Sender publishes records as a device would. It is for one goroutine.
type Sender struct {
	client  paho.Client
	waiting []paho.Token // oldest first
}

// NewSender connects to the broker at url with a device's client id.
func NewSender(url, id string) (*Sender, error) {
	s := &Sender{client: paho.NewClient(paho.NewClientOptions().AddBroker(url).SetClientID(id).
		SetCleanSession(false).SetMaxReconnectInterval(longestPause).
		SetConnectTimeout(patience).SetWriteTimeout(patience))}
	token := s.client.Connect()
	if !token.WaitTimeout(patience) {
		s.client.Disconnect(quiesce)
		return nil, fmt.Errorf("the MQTT broker %s does not answer", url)
	}
	if err := token.Error(); err != nil {
		return nil, fmt.Errorf("the MQTT broker %s cannot be joined: %w", url, err)
	}
	return s, nil
}

// Send publishes one record of a machine. It does not wait for the acknowledgement,
// unless inFlight messages wait for one.
func (s *Sender) Send(ctx context.Context, machine, what string, payload []byte) error {
	if len(s.waiting) == inFlight {
		if err := s.settle(ctx, s.waiting[:1]); err != nil {
			return err
		}
		s.waiting = s.waiting[1:]
	}
	s.waiting = append(s.waiting, s.client.Publish(address{machine, what}.topic(), 1, false, payload))
	return nil
}

// Settle returns when all messages are acknowledged. After a lost connection, paho sends
// the others again but no longer reports their acknowledgement; Settle then returns when
// the connection is back.
func (s *Sender) Settle(ctx context.Context) error {
	err := s.settle(ctx, s.waiting)
	s.waiting = nil
	return err
}

func (s *Sender) settle(ctx context.Context, tokens []paho.Token) error {
	for _, t := range tokens {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-t.Done():
		}
		if t.Error() != nil {
			return fmt.Errorf("a record was not acknowledged: %w", t.Error())
		}
	}
	return nil
}

// Close disconnects.
func (s *Sender) Close() { s.client.Disconnect(quiesce) }
