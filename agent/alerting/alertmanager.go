package alerting

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

// manager is an Alertmanager: it takes an open case that is not sent again for resolved.
type manager struct {
	channel string
	*notify.Alertmanager
	log *slog.Logger
}

// repeat sends the manager the open cases that it got before again and again, until ctx
// ends. A failure is logged once: the next attempt comes soon.
func (m manager) repeat(ctx context.Context, open func() []alert.Shown) {
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
