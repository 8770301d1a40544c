package web

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"github.com/alexedwards/scs/v2"
	"golang.org/x/net/netutil"

	"arcdrift/agent/alert"
	"arcdrift/agent/auth"
	"arcdrift/agent/gate"
	"arcdrift/agent/intake"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/compare"
	"arcdrift/drift/health"
	"arcdrift/drift/lookback"
)

// Intake takes records; it answers only when they are durable.
type Intake interface {
	Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error)
}

// Fleet answers the questions of the pages.
type Fleet interface {
	// Board is what is known now.
	Board() *Board
	// AssessAt is the answer at another moment; machine "" asks for all.
	AssessAt(machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error)
	Move(q advise.Move) (advise.MoveAnswer, error)
	// Site is what the answers to moves of a machine rest on now.
	Site(machine string) (advise.Site, error)
	// Trace is what the model saw of one machine up to asOf.
	Trace(machine string, asOf time.Time) (advise.Trace, error)
}

// Records reads what the store keeps.
type Records interface {
	// History is everything of a machine, corrections too, in store order; Latest
	// the last n of it.
	History(machine string) ([]drift.Entry, error)
	Latest(machine string, n int) ([]drift.Entry, error)
	// Find finds an entry of the machine by its id.
	Find(machine, id string) (drift.Entry, bool, error)
	// Refused lists the newest refusals first, at most limit, and counts all.
	Refused(limit int) (latest []drift.Refusal, total int, err error)
	// Ready says why records cannot be taken now, or nil.
	Ready() error
}

// Config is what the server needs.
type Config struct {
	// Setups returns the setups of all scopes, in order of taking.
	Setups func() ([]drift.Entry, error)
	// Authenticator says who may use the server.
	Authenticator Authenticator
	Intake        Intake
	Fleet         Fleet
	// PastForecasts are earlier forecasts of a machine beside their outcomes, newest first.
	PastForecasts func(machine string) ([]backtest.PastForecast, error)
	Records       Records
	// Locations are the known sites. Air is the latest reading of the sensor at a
	// machine, and whether there is one; nil without sensors.
	Locations func() []drift.Location
	Air       func(machine string) (drift.AirReading, bool)
	// Export writes everything kept of a part of the fleet, in the format "json" (lines)
	// or "csv".
	Export func(w io.Writer, format string, part drift.Part) error
	// Backup writes a copy of the store as it is at this moment; nil where the database's
	// own tools do that.
	Backup func(w io.Writer) error
	// People are the persons that the records name.
	People People
	// Alerts are the open cases, Spares what the depots should hold.
	Alerts Alerts
	Spares func(part drift.Part) []advise.Spares
	// Owed are the checks that the rules asked for since a moment, kept or not.
	Owed func(since time.Time) ([]advise.Owed, error)
	// Compare says which cleavers, lots, models, sites and machines of a part of the fleet
	// do worse.
	Compare func(part drift.Part) (compare.Report, error)
	// Days are what is known of the fleet's days, Ended the alerts that ended.
	Days  func() *health.Book
	Ended func() []alert.Outcome
	// LookBack answers which splices of a part of the fleet to doubt; OpenLookBacks is
	// what was found out lately, false until that was worked out.
	LookBack      func(part drift.Part, q lookback.Question) (lookback.Report, error)
	OpenLookBacks func() (report lookback.Report, known bool)
	// Proofs makes signed packs for customers.
	Proofs Proofs
	// Findings are what the administrator must know about the store, in sentences.
	Findings func() []string
	// Links are the connections to other systems that are down, and why, in sentences.
	Links func() []string
	// Metrics answers /metrics.
	Metrics http.Handler
	// Keys are the accounts that Authenticator uses; managers change them.
	Keys *auth.Keys
	// Fingerprint is the SHA-256 of the certificate by which phones know the
	// agent, "" without one.
	Fingerprint func() string
	// Sessions keeps the sign-ins of browsers; nil for as long as the server lasts.
	Sessions scs.Store
	// Unprotected: people sign in over connections that are not encrypted.
	Unprotected bool
	// Hosts are the names this server is called by, beside localhost and plain
	// addresses: a page of another name may not talk through a browser to it.
	Hosts []string
	// Proxies are addresses that are believed about whence a request came.
	Proxies []netip.Prefix
	Now     func() time.Time
	Log     *slog.Logger
}

// Server is the HTTP face of the agent.
type Server struct {
	Config
	*texts
	uploads  *uploads
	sessions *scs.SessionManager
	traces   *cache[advise.Trace]
	pasts    *cache[[]backtest.PastForecast]
	before   *yesterday
	owed     *owed
	compared *compared
	labels   *labelNames
	glance   time.Duration
	run      string     // made up for this run: who forwards sees that it was another
	part     drift.Part // of the fleet, as the principal of the request sees it; nil for all
}

// Limits of the HTTP server. A body of 1 MiB is some 3,000 records; a larger upload is
// cut into several. 256 connections are more than the crews and screens of a
// yard and few enough for a small gateway.
const (
	maxBody   = 1 << 20
	maxHeader = 16 << 10
	maxConns  = 256
	// Of them, those not authenticated yet.
	maxStrangers     = 192
	maxStrangersEach = 64

	headerTime  = 5 * time.Second
	readTime    = 30 * time.Second
	writeTime   = 60 * time.Second
	idleTime    = 60 * time.Second
	closingTime = 3 * time.Second
)

// New prepares the server; the error names a page that cannot be read.
func New(c Config) (*Server, error) {
	shown, err := readTexts()
	if err != nil {
		return nil, err
	}
	return newServer(c, shown)
}

// newServer is a server of texts, which several may show.
func newServer(c Config, shown *texts) (_ *Server, err error) {
	if c.Sessions == nil {
		if c.Sessions, err = auth.OpenSessions("", c.Now); err != nil {
			return nil, err
		}
	}
	s := &Server{Config: c, texts: shown, glance: glance, run: rand.Text()}
	s.sessions, s.uploads = newSessions(&s.Config), &uploads{held: map[string]*upload{}}
	s.traces = newCache(func(a *advise.Assessment) (advise.Trace, error) {
		t, err := s.Fleet.Trace(a.Machine, s.Now())
		if err != nil {
			err = fmt.Errorf("web: trace of %s: %w", a.Machine, err)
		}
		return t, err
	}, func(t advise.Trace) int { return len(t.Points) }, s.lastOf)
	s.pasts = newCache(func(a *advise.Assessment) ([]backtest.PastForecast, error) {
		past, err := s.PastForecasts(a.Machine)
		if err != nil {
			err = fmt.Errorf("web: earlier forecasts of %s: %w", a.Machine, err)
		}
		return past, err
	}, func(past []backtest.PastForecast) int { return len(past) }, s.lastOf)
	s.owed = &owed{owedOnce: &owedOnce{work: func(since time.Time) ([]advise.Owed, error) { return s.Owed(since) }}}
	s.compared = newCompared(func(part drift.Part) (compare.Report, error) { return s.Compare(part) })
	s.labels = &labelNames{}
	s.before = &yesterday{assess: s.assessAll, patience: patience}
	return s, nil
}

// lastOf is the id of the last entry of a machine.
func (s *Server) lastOf(machine string) string {
	last, err := s.Records.Latest(machine, 1)
	if err != nil || len(last) == 0 {
		return "" // who reads more of it says what is wrong
	}
	return last[0].ID
}

// Run serves on ln until ctx ends, then lets running requests finish.
func (s *Server) Run(ctx context.Context, ln net.Listener) error {
	return s.RunAs(ctx, ln, auth.Principal{})
}

// RunAs serves those who need not sign in, because their listener admits
// nobody else; with the zero principal everybody signs in.
func (s *Server) RunAs(ctx context.Context, ln net.Listener, pass auth.Principal) error {
	server := &http.Server{
		Handler:           s.Handler(),
		BaseContext:       func(net.Listener) context.Context { return context.WithValue(context.Background(), passKey{}, pass) },
		ReadHeaderTimeout: headerTime, ReadTimeout: readTime, WriteTimeout: writeTime, IdleTimeout: idleTime,
		MaxHeaderBytes: maxHeader,
		ConnContext:    func(ctx context.Context, c net.Conn) context.Context { return context.WithValue(ctx, connKey{}, c) },
		ErrorLog:       slog.NewLogLogger(s.Log.Handler(), slog.LevelDebug),
	}
	done := make(chan error, 1)
	go func() {
		done <- server.Serve(gate.New(netutil.LimitListener(ln, maxConns), gate.Limits{All: maxStrangers, Each: maxStrangersEach, Shared: append(gate.Loopback(), s.Proxies...)}, s.Log))
	}()
	select {
	case err := <-done:
		return fmt.Errorf("web: the server on %s stopped: %w", ln.Addr(), err)
	case <-ctx.Done():
	}
	closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), closingTime)
	defer cancel()
	err := server.Shutdown(closing)
	if errors.Is(err, context.DeadlineExceeded) {
		err = server.Close()
	}
	<-done
	return err
}

// routes lists every path with the right it takes.
func (s *Server) routes() *routes {
	m := &routes{http.NewServeMux(), s, map[string]auth.Right{}}
	s.routeAPI(m)
	s.routePages(m)
	s.routeHelp(m)
	m.open("GET /static/", s.assets.ServeHTTP)
	m.open("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "ok\n") })
	m.open("GET /readyz", s.readyz)
	if s.Metrics != nil {
		m.whole(auth.Read, "GET /metrics", func(s *Server, w http.ResponseWriter, r *http.Request) { s.Metrics.ServeHTTP(w, r) })
	}
	return m
}

// Rights are the rights that routes take, by pattern; "" for those that are open to all.
func (s *Server) Rights() map[string]auth.Right { return s.routes().all }

// Handler is every route behind every check of the request.
func (s *Server) Handler() http.Handler {
	origin := http.NewCrossOriginProtection()
	return s.onlyOurHosts(headers(small(origin.Handler(bounded(s.sessions.LoadAndSave(s.admit(s.routes())))))))
}

func (s *Server) readyz(w http.ResponseWriter, _ *http.Request) {
	if err := s.Records.Ready(); err != nil {
		w.Header().Set("Retry-After", retryAfter)
		plain(w, http.StatusServiceUnavailable, "not ready: "+err.Error()+"\n")
		return
	}
	text := "ready\n"
	if n := len(s.Findings()); n > 0 {
		text = fmt.Sprintf("ready; findings about the store: %d, see /refused\n", n)
	}
	plain(w, http.StatusOK, text)
}

// headers go on every answer: nothing from elsewhere, nothing inline, no frame.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// onlyOurHosts refuses a request that calls the server by a name it does not
// have. A hostile page whose name is made to point at this address (DNS
// rebinding) sends its own name; a plain address cannot be rebound.
func (s *Server) onlyOurHosts(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.ourHost(r.Host) {
			plain(w, http.StatusMisdirectedRequest, fmt.Sprintf("This agent does not accept the name %q. Use its numeric address, or start it with --host and that name.\n", r.Host))
			return
		}
		next.ServeHTTP(w, r)
	})
}

func (s *Server) ourHost(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	if _, err := netip.ParseAddr(host); err == nil || host == "localhost" {
		return true
	}
	return slices.ContainsFunc(s.Hosts, func(h string) bool { return strings.EqualFold(h, host) })
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text)) // the client may have gone
}
