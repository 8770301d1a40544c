package server

import (
	"context"
	"fmt"
	"log/slog"
	"net"

	"golang.org/x/sync/errgroup"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/web"
)

// runner is something that runs as long as the agent does.
type runner interface {
	// Run works until ctx ends, then finishes what it has begun and returns nil.
	Run(ctx context.Context) error
	// Ready returns nil while it works, else the reason why it does not.
	Ready() error
	String() string
}

// runAll runs all until ctx ends or one fails; then all end.
func runAll(ctx context.Context, log *slog.Logger, runners ...runner) error {
	group, ctx := errgroup.WithContext(ctx)
	for _, r := range runners {
		group.Go(func() error {
			log.Info("started", "what", r.String())
			if err := r.Run(ctx); err != nil {
				return fmt.Errorf("%s: %w", r, err)
			}
			log.Info("ended", "what", r.String())
			return nil
		})
	}
	return group.Wait()
}

// intakeRunner is the intake as a runner.
type intakeRunner struct{ *intake.Handler }

func (intakeRunner) Ready() error   { return nil }
func (intakeRunner) String() string { return "intake" }

// webRunner is the HTTP service on one listener.
type webRunner struct {
	server   *web.Server
	listener net.Listener
	scheme   string         // http, https or unix
	as       auth.Principal // of every request there; zero where requests bring credentials
}

func (w webRunner) Run(ctx context.Context) error {
	return w.server.RunAs(ctx, w.listener, w.as)
}
func (webRunner) Ready() error { return nil }
func (w webRunner) String() string {
	return "pages on " + w.scheme + "://" + w.listener.Addr().String()
}
