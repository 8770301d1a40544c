package agent

import (
	"context"
	"log/slog"
	"time"
)

// readiness writes down, once each, that the agent is not ready, why, and that it
// is again: a broker that is away is nobody else's to report.
type readiness struct {
	ready func() error
	log   *slog.Logger
}

// readinessEvery is how often it looks.
const readinessEvery = time.Second

func (*readiness) Ready() error   { return nil }
func (*readiness) String() string { return "readiness" }

func (r *readiness) Run(ctx context.Context) error {
	ticker := time.NewTicker(readinessEvery)
	defer ticker.Stop()
	reason := "not looked yet"
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		switch err := r.ready(); {
		case err == nil && reason != "":
			r.log.Info("ready")
			reason = ""
		case err != nil && reason != err.Error():
			r.log.Warn("not ready", "error", err)
			reason = err.Error()
		}
	}
}
