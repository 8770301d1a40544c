package agent

import (
	"context"
	"os"
	"slices"
	"sync"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"arcdrift/agent/alert"
	"arcdrift/agent/metrics"
)

// reloads reads the settings again whenever the agent is hung up on, as a service
// manager's reload does.
type reloads struct {
	hangups <-chan os.Signal
	read    func() (Config, error)
	server  *server
}

func (*reloads) Ready() error   { return nil }
func (*reloads) String() string { return "settings" }

func (r *reloads) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.hangups:
			if err := r.server.manager.reloading(); err != nil {
				return err
			}
			r.server.reload(ctx, r.read)
			if err := r.server.manager.ready(); err != nil {
				return err
			}
		}
	}
}

// reload puts in force what may change while the agent runs: what is logged, the
// certificate, and who is told what. Settings that are not valid change nothing.
func (s *server) reload(ctx context.Context, read func() (Config, error)) {
	next, err := read()
	if err == nil {
		err = s.alerts.change(ctx, next.Alerts)
	}
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		s.log.Error("the settings were not taken, those before stay in force", "error", err)
		return
	}
	s.level.Set(next.LogFrom)
	if s.config.TLS != nil && next.TLS != nil {
		s.tls.Store(next.TLS)
	}
	s.log.Info("the settings were read again")
	if later := s.config.takesRestart(&next); len(later) > 0 {
		s.log.Warn("these settings are in force after the next start only", "settings", later)
	}
}

// takesRestart names the settings that differ in next and cannot change while the
// agent runs.
func (c *Config) takesRestart(next *Config) (names []string) {
	for _, s := range []struct {
		name string
		same bool
	}{
		{"db", c.DB == next.DB},
		{"http-listen", c.HTTPListen == next.HTTPListen},
		{"mqtt-listen", c.MQTTListen == next.MQTTListen},
		{"mqtt-broker", sameBroker(c.Broker, next.Broker)},
		{"forward-to", sameHub(c.Hub, next.Hub)},
		{"keep-counts", c.KeepCounts == next.KeepCounts},
		{"tls-cert", (c.TLS == nil) == (next.TLS == nil)},
		{"host", slices.Equal(c.Hosts, next.Hosts)},
		{"trusted-proxy", slices.Equal(c.Proxies, next.Proxies)},
		{openFlag, c.Open == next.Open},
		{"loopback-without-account", c.Loopback == next.Loopback},
		{"profile-listen", c.ProfileListen == next.ProfileListen},
		{"log-format", c.LogJSON == next.LogJSON},
	} {
		if !s.same {
			names = append(names, s.name)
		}
	}
	return names
}

// settingsNow reads the settings of serve again: the command line as it was, the
// environment, and the file and the files it names as they are now.
func settingsNow(cmd *cobra.Command, env Env) (Config, error) {
	var raw rawConfig
	flags := pflag.NewFlagSet(cmd.Name(), pflag.ContinueOnError)
	raw.flags(flags)
	flags.AddFlagSet(cmd.InheritedFlags())
	if err := flags.Parse(env.Args); err != nil {
		return Config{}, usageError{err}
	}
	if err := settle(flags, settingNames(cmd.Root()), env.Environ); err != nil {
		return Config{}, err
	}
	return raw.valid(dbPath(cmd))
}

// liveAlerts is the alerting that the settings in force ask for. When they change
// it is ended and another takes up where it was, by what the store has kept.
type liveAlerts struct {
	open    func(Alerts) (*alerting, error)
	changes chan change

	mu      sync.RWMutex // held while another takes over
	inForce *alerting
}

// change asks for other alerts; done is told what came of it.
type change struct {
	to   Alerts
	done chan error
}

func newLiveAlerts(c Alerts, open func(Alerts) (*alerting, error)) (*liveAlerts, error) {
	first, err := open(c)
	return &liveAlerts{open: open, changes: make(chan change), inForce: first}, err
}

func (*liveAlerts) Ready() error   { return nil }
func (*liveAlerts) String() string { return "alerts" }

// Run decides and delivers until ctx ends.
func (l *liveAlerts) Run(ctx context.Context) error {
	for {
		current, end := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- l.inForce.Run(current) }() // only this loop writes inForce
		select {
		case err := <-ended:
			end()
			return err
		case c := <-l.changes:
			l.mu.Lock()
			end()
			err := <-ended
			next, failed := l.open(c.to)
			if failed == nil {
				l.inForce = next
			}
			l.mu.Unlock()
			c.done <- failed
			if err != nil {
				return err
			}
		}
	}
}

// change puts other alerts in force; on an error those before stay.
func (l *liveAlerts) change(ctx context.Context, to Alerts) error {
	c := change{to, make(chan error, 1)}
	select {
	case l.changes <- c:
		return <-c.done
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Open, Card, TakeOn and Snooze are those of the alerting in force.
func (l *liveAlerts) Open() []alert.Shown {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Open()
}

func (l *liveAlerts) Card() alert.Card {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Card()
}

// Withheld is that of the alerting in force.
func (l *liveAlerts) Withheld() []alert.Withheld {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Silenced()
}

func (l *liveAlerts) Acknowledge(subject string, matter alert.RuleName, by string) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.TakeOn(subject, matter, by)
}

func (l *liveAlerts) Silence(subject string, matter alert.RuleName, quiet alert.Silence) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.Snooze(subject, matter, quiet)
}

// without changes what the store holds of the alerts.
func (l *liveAlerts) without(change func() error) error {
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.inForce.without(change)
}

func (l *liveAlerts) facts(f *metrics.Facts) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	l.inForce.facts(f)
}
