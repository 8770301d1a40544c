package server

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sync/errgroup"

	"arcdrift/agent/alerting"
	"arcdrift/agent/auth"
	"arcdrift/agent/export"
	"arcdrift/agent/fleet"
	"arcdrift/agent/forward"
	"arcdrift/agent/intake"
	"arcdrift/agent/metrics"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/proof"
	"arcdrift/agent/proof/pack"
	"arcdrift/agent/reach"
	"arcdrift/agent/setting"
	"arcdrift/agent/share"
	"arcdrift/agent/store"
	"arcdrift/agent/storekey"
	"arcdrift/agent/version"
	"arcdrift/agent/web"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Env is what an agent is given from outside.
type Env struct {
	// Program is the name it was called by, Environ KEY=value pairs.
	Program string
	Environ []string
	Log     io.Writer
	Now     func() time.Time
	// Engine opens the store; nil is [reach.Files].
	Engine reach.Engine
}

// Server is a running agent.
type Server struct {
	config        Config
	log           *slog.Logger
	level         slog.LevelVar
	tls           atomic.Pointer[tls.Config] // how connections are encrypted from now on
	manager       *systemd
	store         reach.Store
	reader        store.Reader // the store, as answers and pages read it
	fleet         fleetView
	intake        *countedIntake
	customers     *customers
	keys          *auth.Keys
	authenticator *auth.Authenticator
	listener      net.Listener // of the pages
	own           net.Listener // of commands on this computer; nil where the file system has no sockets
	broker        *mqtt.Broker // nil when not asked for
	links         links
	readings      readings // of the sensors
	alerts        *alerting.Service
	share         *share.Share // nil where this process has the store to itself
	spares        sparesCache
	proofs        *proof.Maker
	noKey         bool        // there was none at the start to sign packs with
	otherKey      string      // that other processes sign by another key, as a sentence; "" if not
	publishers    []publisher // where states and alerts go
	services      []runner
}

// New opens the store and the listeners and puts everything together.
func New(config Config, env Env) (*Server, error) {
	s := &Server{config: config, links: links{now: env.Now}, readings: readings{now: env.Now, latest: map[string]drift.AirReading{}}}
	s.level.Set(config.LogFrom)
	options := &slog.HandlerOptions{Level: &s.level}
	var handler slog.Handler = slog.NewTextHandler(env.Log, options)
	if config.LogJSON {
		handler = slog.NewJSONHandler(env.Log, options)
	}
	s.log = slog.New(handler)
	if err := s.assemble(env); err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

func (s *Server) assemble(env Env) (err error) {
	at := reach.Location{Path: s.config.DB, Now: env.Now, Log: env.Log, Engine: env.Engine}
	if s.store, err = at.Serve(context.Background()); err != nil {
		return err
	}
	s.introduce(at)
	s.reader = store.NewReader(s.store, func(text string) { s.log.Warn(text) })
	for _, text := range s.diagnostics() {
		s.log.Warn(text)
	}
	s.openProofs(env)
	s.fleet = fleetView{fleet.New(s.reader, env.Now, s.log)}
	if err := s.joinOthers(env); err != nil {
		return err
	}
	s.customers = newCustomers(s.reader.Setups, env.Now, s.log)
	s.intake = &countedIntake{Handler: intake.New(s.store, env.Now, s.announce), now: env.Now, log: s.log, told: map[string]told{}, counts: map[metrics.Arrival]uint64{}, last: map[string]time.Time{}}
	s.followOthers()
	if err := s.openAlerts(env); err != nil {
		return err
	}
	if s.keys, err = s.accounts(at); err != nil {
		return err
	}
	s.authenticator = auth.NewAuthenticator(s.keys, auth.Policy{Open: s.config.Open, Loopback: s.config.Loopback}, env.Now)
	s.authenticator.UseAssignments(s.customers)
	if err := s.listen(); err != nil {
		return err
	}
	pages, err := s.pages(env)
	if err != nil {
		return err
	}
	s.services = append(s.services, webRunner{pages, s.listener, s.scheme(), auth.Principal{}})
	if s.own != nil {
		s.services = append(s.services, webRunner{pages, s.own, "unix", auth.Owner()})
	}
	if s.config.ProfileListen != "" {
		l, err := listenAt("profile-listen", s.config.ProfileListen)
		if err != nil {
			return err
		}
		s.services = append(s.services, profiles{l})
	}
	if err := s.joinMQTT(env); err != nil {
		return err
	}
	s.services = append(s.services, s.alerts)
	if s.config.Hub != nil {
		s.links.hub, s.links.hubName = forward.New(*s.config.Hub, s.store, s.log), s.config.Hub.Name()
		s.services = append(s.services, s.links.hub)
	}
	if s.config.KeepCounts > 0 {
		c, can := s.store.(compactable)
		if !can {
			return setting.Errorf("keep-counts is %d, but this store cannot reduce old arc counts: leave it out", s.config.KeepCounts)
		}
		s.services = append(s.services, &compactor{c, s.config.KeepCounts, s.config.Hub, s.leads(), s.log})
	}
	s.services = append(s.services, &readiness{s.Ready, s.log})
	if s.manager = newSystemd(env.Environ, s.sound); s.manager.socket != "" {
		s.services = append(s.services, s.manager)
	}
	return nil
}

// introduce begins the log with what a fault report needs.
func (s *Server) introduce(at reach.Location) {
	v, name := version.Running(), s.store.Name()
	if at.InFile() {
		name = s.config.DB // that of a database holds a password
	}
	s.log.Info("store opened", "store", name, "version", v.Version, "revision", v.Revision)
}

// announce passes on new entries, after they are durable.
func (s *Server) announce(entries []drift.Entry) {
	s.customers.announce(entries)
	s.fleet.Announce(entries)
}

// pages is the HTTP service.
func (s *Server) pages(env Env) (*web.Server, error) {
	sessions, err := s.signIns(env)
	if err != nil {
		return nil, err
	}
	return web.New(web.Config{
		Keys: s.keys, Fingerprint: s.fingerprint,
		Sessions: sessions, Unprotected: s.config.Open && s.config.TLS == nil,
		Authenticator: s.authenticator, Intake: s.intake, Fleet: s.fleet, PastForecasts: s.fleet.Said, Records: records{s.reader, s.Ready}, Setups: s.reader.Setups,
		Export: func(w io.Writer, format string, part drift.Part) error { return export.Write(s.store, w, format, part) },
		Backup: s.backup(), People: people{s.store, s.alerts}, Findings: s.diagnostics, Links: func() []string { return append(s.shareBroken(), s.links.broken()...) },
		Alerts:    s.alerts,
		Spares:    func(part drift.Part) []advise.Spares { return s.spares.of(s.fleet.Snapshot(), part) },
		Owed:      s.fleet.Owed,
		Compare:   s.fleet.Compare,
		Locations: func() []drift.Location { return s.fleet.Snapshot().Locations() }, Air: s.readings.at,
		Days:     s.fleet.Days,
		Ended:    s.alerts.Ended,
		Proofs:   s.proofs,
		LookBack: s.fleet.LookBack, OpenLookBacks: s.fleet.OpenLookBacks,
		Metrics: metrics.Handler(metrics.Registry(s.facts, metrics.Build(version.Running()), metrics.DefaultOptions()), slog.NewLogLogger(s.log.Handler(), slog.LevelError)),
		Hosts:   s.config.Hosts, Proxies: s.config.Proxies, Now: env.Now, Log: s.log,
	})
}

// backup writes a copy of the store; nil where the database does that.
func (s *Server) backup() func(w io.Writer) error {
	if c, can := s.store.(reach.Copier); can {
		return c.Backup
	}
	return nil
}

// openProofs prepares packs of proof. The key is made at the first start. A store without its
// key goes on; only packs wait.
func (s *Server) openProofs(env Env) {
	v := version.Running()
	s.proofs = &proof.Maker{
		Store: s.reader, Name: s.store.Name(), KeyFile: storekey.Path(s.config.DB), StampServer: s.config.TimeStampServer, Now: env.Now,
		Software: pack.Software{Name: "arcdrift", Version: v.Version, Revision: v.Revision},
	}
	if _, err := s.proofs.Fingerprint(); err != nil {
		s.noKey = true
		s.log.Warn(unsigned(err))
		return
	}
	if s.otherKey = s.compareKeys(env.Now()); s.otherKey != "" {
		s.log.Warn(s.otherKey)
	}
}

func unsigned(err error) string { return "Packs of proof cannot be signed: " + err.Error() + "." }

// fingerprint is that of the authority's certificate if the chain holds it, else of the
// certificate in force.
func (s *Server) fingerprint() string {
	config := s.tls.Load()
	if config == nil {
		return ""
	}
	chain := config.Certificates[0].Certificate
	return auth.Fingerprint(chain[len(chain)-1])
}

// openAlerts prepares the alerts. MQTT is watched from the start, another source of
// records from its first record on.
func (s *Server) openAlerts(env Env) (err error) {
	began, hasMQTT := env.Now(), s.config.MQTTListen != "" || s.config.Broker != nil
	sources := func() map[string]time.Time {
		last := s.heard()
		if hasMQTT && last["mqtt"].IsZero() {
			last["mqtt"] = began
		}
		return last
	}
	var publish func(context.Context, string, []byte) error
	if hasMQTT {
		publish = func(_ context.Context, machine string, payload []byte) error {
			var err error
			for _, p := range s.publishers {
				err = errors.Join(err, p.Publish(mqtt.About(machine, mqtt.Alert, payload, false)))
			}
			return err
		}
	}
	s.alerts, err = alerting.New(s.config.Alerts, alerting.Using{
		Store: s.decisions(), Fleet: s.fleet.Fleet, Sources: sources, Publish: publish, Leads: s.leads(), Now: env.Now, Log: s.log,
		Customer: func(machine string) string {
			a, _ := s.customers.Of(machine)
			return a.Customer
		},
	})
	return err
}

// listen opens the listeners of the pages.
func (s *Server) listen() (err error) {
	if s.listener, err = listenAt("http-listen", s.config.HTTPListen); err != nil {
		return err
	}
	if s.config.TLS != nil {
		s.listener = s.encrypted(s.listener)
	}
	if s.own, err = reach.Listen(s.config.DB, s.log); err != nil {
		s.log.Warn("the socket beside the store cannot be made; commands on this computer use the address of the pages", "error", err)
	}
	return nil
}

// scheme is that of the pages' address.
func (s *Server) scheme() string {
	if s.config.TLS != nil {
		return "https"
	}
	return "http"
}

// listenAt listens where a setting says.
func listenAt(setting, address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("%s %s is taken: another program listens there, perhaps another agent; stop it or set another port: %w", setting, address, err)
	case errors.Is(err, syscall.EACCES):
		return nil, fmt.Errorf("%s %s is not allowed to this user; set a port from 1024 on: %w", setting, address, err)
	case err != nil:
		return nil, fmt.Errorf("%s %s is no place to listen at: %w", setting, address, err)
	}
	return l, nil
}

// encrypted speaks TLS, on each connection with the certificate then in force.
func (s *Server) encrypted(plain net.Listener) net.Listener {
	s.tls.Store(s.config.TLS)
	return tls.NewListener(plain, &tls.Config{
		MinVersion:         s.config.TLS.MinVersion,
		GetConfigForClient: func(*tls.ClientHelloInfo) (*tls.Config, error) { return s.tls.Load(), nil },
	})
}

// joinMQTT adds the embedded broker and the outside one that the settings ask for, and publishes the states there.
func (s *Server) joinMQTT(env Env) error {
	handler := mqtt.Handler{Intake: s.intake, Adviser: s.fleet, Air: s.readings.keep, Now: env.Now}
	if s.config.MQTTListen != "" {
		listener, err := listenAt("mqtt-listen", s.config.MQTTListen)
		if err != nil {
			return err
		}
		if s.config.TLS != nil {
			listener = s.encrypted(listener)
		}
		if s.broker, err = mqtt.NewBroker(listener, topicAuthenticator{s.authenticator}, handler, s.log); err != nil {
			return errors.Join(err, listener.Close())
		}
		s.services = append(s.services, s.broker)
		s.publishers = append(s.publishers, s.broker)
	}
	if s.config.Broker != nil {
		s.links.outside = mqtt.NewClient(*s.config.Broker, handler, s.log)
		s.services = append(s.services, s.links.outside)
		s.publishers = append(s.publishers, s.links.outside)
	}
	if len(s.publishers) > 0 {
		s.services = append(s.services, &statePublisher{board: s.ownStates, to: s.publishers, log: s.log})
	}
	return nil
}

// Run serves until ctx ends or something fails. The services that take records end
// first, then the writer finishes what was accepted, then the store is closed.
func (s *Server) Run(ctx context.Context) error {
	if err := reach.LeaveAddress(s.config.DB, s.URL()); err != nil {
		return errors.Join(fmt.Errorf("the agent's address cannot be left beside the store: %w", err), s.close())
	}
	group, ctx := errgroup.WithContext(ctx)
	writing, stop := context.WithCancel(context.WithoutCancel(ctx))
	group.Go(func() error { return runAll(writing, s.log, intakeRunner{s.intake.Handler}, s.fleet) })
	group.Go(func() error {
		defer stop()
		return runAll(ctx, s.log, s.services...)
	})
	err := group.Wait()
	return errors.Join(err, os.Remove(reach.AddressFile(s.config.DB)), s.close())
}

// close closes what is open. A service has closed its own listener when it ended.
func (s *Server) close() error {
	var err error
	for _, l := range []net.Listener{s.listener, s.own} {
		if l == nil {
			continue
		}
		if closeErr := l.Close(); !errors.Is(closeErr, net.ErrClosed) {
			err = errors.Join(err, closeErr)
		}
	}
	if s.store != nil {
		err = errors.Join(err, closed(s.store))
	}
	return err
}

// closed closes a store.
func closed(s reach.Store) error {
	if err := s.Close(); err != nil {
		return fmt.Errorf("the store was not closed in good order: %w", err)
	}
	return nil
}

// URL is where the agent's pages are on this computer.
func (s *Server) URL() string {
	host, port, err := net.SplitHostPort(s.listener.Addr().String())
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return s.scheme() + "://" + net.JoinHostPort(host, port)
}

// diagnostics say what was wrong with the store when it was checked and opened, and
// since.
func (s *Server) diagnostics() []string {
	var out []string
	if s.config.Found != "" {
		out = append(out, s.config.Found)
	}
	if d, can := s.store.(reach.Diagnoser); can {
		for _, f := range d.Diagnostics() {
			out = append(out, f.Text)
		}
	}
	if s.noKey { // unless there is one by now
		if _, err := s.proofs.Fingerprint(); err != nil {
			out = append(out, unsigned(err))
		}
	}
	if s.otherKey != "" {
		out = append(out, s.otherKey)
	}
	return append(out, s.reader.LeftOut()...)
}

// facts is what one scrape reports. Of several processes each reports its own machines, and
// one the rest, so that sums over them count nothing twice.
func (s *Server) facts() metrics.Facts {
	snapshot := s.fleet.Snapshot()
	out := metrics.Facts{Records: s.intake.seen(), Read: snapshot.Version > 0, Ready: s.Ready() == nil}
	for a, about := range snapshot.All() {
		if !s.mine(a.Machine) {
			continue
		}
		m := metrics.Machine{Assessment: a, Site: about.Site, Depot: about.Settings.Depot}
		if about.Service != nil {
			m.Service, m.Serviced = about.Service.Action, about.Serviced
		}
		out.Machines = append(out.Machines, m)
	}
	if stats, err := s.store.Stats(); err == nil {
		out.StoreBytes = stats.Size
		s.links.facts(&out, stats.Seq)
	}
	s.shareFacts(&out)
	if s.share != nil && !s.share.Leads() {
		return out // the process that leads reports what concerns the whole fleet
	}
	out.Spares = s.spares.of(s.fleet.Snapshot(), nil)
	if report, known := s.fleet.OpenLookBacks(); known {
		open, oldest := report.OpenSpans()
		out.LookBacksOpen, out.LookBackOldest = drift.Some(open), oldest
	}
	s.alerts.Facts(&out)
	return out
}

// MQTTAddress is where the embedded broker listens, "" if there is none.
func (s *Server) MQTTAddress() string {
	if s.broker == nil {
		return ""
	}
	return s.broker.Address()
}

// sound returns nil while the store takes records.
func (s *Server) sound() error {
	if s.share != nil {
		return s.share.Ready() // it asks the database all the time
	}
	stats, err := s.store.Stats()
	return errors.Join(err, stats.Unsure)
}

// Ready returns nil when every service can take records.
func (s *Server) Ready() error {
	if err := s.sound(); err != nil {
		return err
	}
	for _, r := range append([]runner{s.fleet}, s.services...) {
		if err := r.Ready(); err != nil {
			return err
		}
	}
	return nil
}

// records is the store as the pages read it.
type records struct {
	store.Reader
	ready func() error
}

// Refused lists the newest refusals and counts all.
func (r records) Refused(limit int) ([]drift.Refusal, int, error) {
	stats, err := r.Stats()
	if err != nil {
		return nil, 0, err
	}
	latest, err := r.Refusals("", limit)
	return latest, int(stats.Refused), err
}

// Ready says why records cannot be taken now.
func (r records) Ready() error { return r.ready() }
