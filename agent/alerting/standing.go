package alerting

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

// manager is a channel that must be sent all open cases again and again.
type manager struct {
	channel string
	*notify.Alertmanager
	log *slog.Logger
}

// stand sends the manager the cases that it was sent before, as long as they are open,
// until ctx ends. A failure is logged once: the next attempt comes soon.
func (m manager) stand(ctx context.Context, open func() []alert.Shown) {
	ticker := time.NewTicker(notify.StandEvery)
	defer ticker.Stop()
	failed := false
	for {
		sent := slices.DeleteFunc(open(), func(c alert.Shown) bool { return !slices.Contains(c.SentTo, m.channel) })
		err := m.Stand(ctx, sent)
		if err != nil && !failed && ctx.Err() == nil {
			m.log.Warn("an Alertmanager could not be sent the alerts that are still open", "channel", m.channel, "error", err)
		}
		failed = err != nil
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
