package server

import (
	"context"
	"log/slog"
	"time"
)

// readiness logs, once each, that the agent is not ready and why, and that it is ready
// again: nothing else reports a broker that is away.
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
	reason, level := "not looked yet", slog.LevelInfo // reading all there is comes first, and is no trouble
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		switch err := r.ready(); {
		case err == nil && reason != "":
			r.log.Info("ready")
			reason, level = "", slog.LevelWarn
		case err != nil && reason != err.Error():
			r.log.Log(ctx, level, "not ready", "error", err)
			reason = err.Error()
		}
	}
}
