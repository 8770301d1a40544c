package alerting

import (
	"context"
	"slices"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

// manager is a channel that has to hear again and again of what stands.
type manager struct {
	channel string
	*notify.Alertmanager
}

// stand tells a manager of the cases that it was told of, as long as they stand, until
// ctx ends. What fails is logged once: the next time comes soon.
func (a *engine) stand(ctx context.Context, m manager) error {
	ticker := time.NewTicker(notify.StandEvery)
	defer ticker.Stop()
	failed := false
	for {
		err := m.Stand(ctx, a.toldTo(m.channel))
		if err != nil && !failed && ctx.Err() == nil {
			a.log.Warn("an Alertmanager does not hear that alerts still stand", "channel", m.channel, "error", err)
		}
		failed = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

// toldTo are the open cases that the channel was told of.
func (a *engine) toldTo(channel string) []alert.Shown {
	return slices.DeleteFunc(a.Open(), func(c alert.Shown) bool { return !slices.Contains(c.SentTo, channel) })
}
