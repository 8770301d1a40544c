package notify

import (
	"context"
	"encoding/json"

	"arcdrift/agent/alert"
)

// Agent is used in a topic where no machine does, in the morning list and the
// agent's own rules. No machine can be called so.
const Agent = "_agent"

// MQTT publishes the action as JSON on the alert topic of its machine.
type MQTT struct {
	// Publish returns when the broker has confirmed the message.
	Publish func(ctx context.Context, machine string, payload []byte) error
}

// Send publishes the action.
func (m *MQTT) Send(ctx context.Context, a alert.Action) error {
	payload, err := json.Marshal(a)
	if err != nil {
		return &Refusal{err}
	}
	machine := a.Subject
	switch a.Rule {
	case "", alert.SourceSilent, alert.ChannelDead:
		machine = Agent
	}
	return m.Publish(ctx, machine, payload)
}

// Alone is true: the topic is the machine's.
func (*MQTT) Alone() bool { return true }
