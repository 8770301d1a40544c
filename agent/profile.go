package agent

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/pprof"
	"net/netip"
	"time"
)

// profiles serves the Go runtime's profiles, to whoever is on this computer and
// only when asked for.
type profiles struct{ listener net.Listener }

func (profiles) Ready() error     { return nil }
func (p profiles) String() string { return "profiles on http://" + p.listener.Addr().String() }

func (p profiles) Run(ctx context.Context) error {
	mux := http.NewServeMux()
	mux.HandleFunc("/debug/pprof/", pprof.Index)
	mux.HandleFunc("/debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("/debug/pprof/trace", pprof.Trace)
	mux.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	ended := context.AfterFunc(ctx, func() { _ = server.Close() }) // a profile that is being taken is not waited for
	defer ended()
	if err := server.Serve(p.listener); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// loopbackOnly refuses an address that is not an address of this computer alone:
// profiles show memory, and taking them costs time.
func loopbackOnly(flag, address string) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil || !at.Addr().IsLoopback() {
		return fmt.Errorf("%s %s: profiles are given on this computer only, on an address like 127.0.0.1:6060", flag, address)
	}
	return nil
}
