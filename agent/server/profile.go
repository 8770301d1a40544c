package server

import (
	"context"
	"errors"
	"net"
	"net/http"
	"runtime/pprof"
	"strconv"
	"time"
)

// profiles serves the Go runtime's profiles, to whoever is on this computer and
// only when asked for.
type profiles struct{ listener net.Listener }

func (profiles) Ready() error     { return nil }
func (p profiles) String() string { return "profiles on http://" + p.listener.Addr().String() }

func (p profiles) Run(ctx context.Context) error {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /debug/pprof/profile", busy)
	mux.HandleFunc("GET /debug/pprof/{name}", held)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	ended := context.AfterFunc(ctx, func() { _ = server.Close() }) // a profile that is being taken is not waited for
	defer ended()
	if err := server.Serve(p.listener); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// busy records where processor time goes for ?seconds=n, 30 if not said: the
// address that go tool pprof asks.
func busy(w http.ResponseWriter, r *http.Request) {
	seconds, err := strconv.Atoi(r.FormValue("seconds"))
	if err != nil || seconds <= 0 {
		seconds = 30
	}
	if err := pprof.StartCPUProfile(w); err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
		return
	}
	defer pprof.StopCPUProfile()
	select {
	case <-r.Context().Done():
	case <-time.After(time.Duration(seconds) * time.Second):
	}
}

// held gives a profile of what is held now: heap, allocs, goroutine, block,
// mutex, threadcreate; as text with ?debug=1.
func held(w http.ResponseWriter, r *http.Request) {
	p := pprof.Lookup(r.PathValue("name"))
	if p == nil {
		http.NotFound(w, r)
		return
	}
	debug, _ := strconv.Atoi(r.FormValue("debug")) // 0, the binary form, if it is none
	_ = p.WriteTo(w, debug)                        // who asked has gone
}
