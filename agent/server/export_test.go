package server

import (
	"context"
	"log/slog"

	"arcdrift/agent/alerting"
	"arcdrift/agent/auth"
	"arcdrift/agent/fleet"
	"arcdrift/agent/forward"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
)

// What the tests of a running agent see of its parts.

func (s *Server) Store() *store.Store { return s.store.(*store.Store) }

// AnyStore is the store, of whichever engine.
func (s *Server) AnyStore() reach.Store { return s.store }

// WhileReady is how a process asks for accounts and sign-ins.
func WhileReady(shared reach.Shared, ready func() error) reach.Shared {
	return whileReady{shared, ready}
}

// Mine says whether this process works on the machine.
func (s *Server) Mine(machine string) bool { return s.mine(machine) }

func (s *Server) Alerts() *alerting.Service { return s.alerts }

func (s *Server) Fleet() *fleet.Fleet { return s.fleet.Fleet }

// Refused counts what the pages list as refused.
func (s *Server) Refused() (int, error) {
	_, n, err := records{s.reader, s.Ready}.Refused(0)
	return n, err
}

// Compact compacts a store once, as the agent does from time to time.
func Compact(ctx context.Context, s *store.Store, keep int, hub *forward.Hub, log *slog.Logger) error {
	return (&compactor{s, keep, hub, nil, log}).compact(ctx)
}

// NewSystemd reports to a service manager.
func NewSystemd(environ []string, healthy func() error) *systemd {
	return newSystemd(environ, healthy)
}

// Rights are the rights that the routes of the pages take.
func (s *Server) Rights() map[string]auth.Right {
	for _, r := range s.services {
		if pages, ok := r.(webRunner); ok {
			return pages.server.Rights()
		}
	}
	return nil
}
