package server

import (
	"context"
	"os"
	"slices"

	"arcdrift/agent/setting"
)

// reloads reads the settings again at each signal to reload, SIGHUP, which a service
// manager's reload sends.
type reloads struct {
	signals <-chan os.Signal
	read    func() (Config, error)
	server  *Server
}

func (*reloads) Ready() error   { return nil }
func (*reloads) String() string { return "settings" }

func (r *reloads) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.signals:
			r.told(r.server.manager.reloading())
			r.server.reload(ctx, r.read)
			r.told(r.server.manager.ready())
		}
	}
}

// told logs that the manager could not be told: that is no reason to stop.
func (r *reloads) told(err error) {
	if err != nil {
		r.server.log.Warn("the service manager does not know of the reload", "error", err)
	}
}

// reload puts in force what may change while the agent runs: what is logged, the
// certificate, and the alerts. Settings that are not valid change nothing.
func (s *Server) reload(ctx context.Context, read func() (Config, error)) {
	next, err := read()
	if err == nil {
		err = s.alerts.Change(ctx, next.Alerts)
	}
	if ctx.Err() != nil {
		return
	}
	if err != nil {
		s.log.Error("the new settings are not valid; those before stay in force", "error", err)
		return
	}
	s.level.Set(next.LogFrom)
	if s.config.TLS != nil && next.TLS != nil {
		s.tls.Store(next.TLS)
	}
	s.log.Info("the settings were read again")
	if later := s.config.TakesRestart(&next); len(later) > 0 {
		s.log.Warn("these settings take effect at the next start only", "settings", later)
	}
}

// TakesRestart names the settings that differ in next and cannot change while the
// agent runs.
func (c *Config) TakesRestart(next *Config) (names []string) {
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
		{setting.OpenFlag, c.Open == next.Open},
		{"loopback-without-account", c.Loopback == next.Loopback},
		{"time-stamp-server", c.TimeStampServer == next.TimeStampServer},
		{"profile-listen", c.ProfileListen == next.ProfileListen},
		{"log-format", c.LogJSON == next.LogJSON},
	} {
		if !s.same {
			names = append(names, s.name)
		}
	}
	return names
}

// ReloadOn has the agent read its settings again at each of these signals.
func (s *Server) ReloadOn(signals <-chan os.Signal, read func() (Config, error)) {
	s.services = append(s.services, &reloads{signals, read, s})
}
