package server

import (
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strconv"

	"arcdrift/agent/alerting"
	"arcdrift/agent/auth"
	"arcdrift/agent/forward"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/setting"
)

// Config is a valid configuration of the agent.
type Config struct {
	// DB is the store's path.
	DB string
	// HTTPListen is where pages and interface are served, MQTTListen where the
	// embedded broker listens, "" for none.
	HTTPListen, MQTTListen string
	// ProfileListen is where profiles are served on this computer, "" for not.
	ProfileListen string
	// Broker is the outside broker to join, nil for none.
	Broker *mqtt.Join
	// Found is what the check of the store before the start found, or "".
	Found string
	// Hub is the agent to which all records are forwarded, nil for none.
	Hub *forward.Hub
	// KeepCounts is how many arc counts of each machine compaction keeps, 0 for all.
	KeepCounts int
	// Alerts says who gets which alerts.
	Alerts alerting.Config
	// TLS is how the listeners encrypt, nil for not at all.
	TLS *tls.Config
	// Hosts are names under which the pages are called.
	Hosts []string
	// Proxies are trusted to say where a request came from.
	Proxies []netip.Prefix
	// TimeStampServer stamps packs of proof (RFC 3161), "" for none.
	TimeStampServer string
	// Open says that the listeners are meant to be open to a network.
	Open bool
	// Loopback says that requests from this computer need no account.
	Loopback bool
	// LogJSON writes the log as JSON, LogFrom is the least that is logged.
	LogJSON bool
	LogFrom slog.Level
}

// Settings are what flags, environment and file say; [Defaults] makes them.
type Settings struct {
	HTTPListen, MQTTListen                                 string
	ProfileListen, TimeStampServer                         string
	Broker, ClientID, User, PasswordFile, BrokerCA         string
	ForwardTo, ForwardUser, ForwardPasswordFile, ForwardCA string
	TLSCert, TLSKey                                        string
	Hosts, Proxies                                         []string
	KeepCounts                                             int
	Alerts                                                 alerting.Settings
	Open, Loopback                                         bool
	// LogFormat is text or json, LogLevel debug, info, warn or error.
	LogFormat, LogLevel string
}

// Defaults are the settings as they are when nobody says otherwise.
func Defaults() Settings {
	return Settings{HTTPListen: "127.0.0.1:8470", Alerts: alerting.Defaults(), LogFormat: "text", LogLevel: "info"}
}

// Config checks the settings together; every error names the setting.
func (r *Settings) Config(db string) (Config, error) {
	c := Config{DB: db, HTTPListen: r.HTTPListen, MQTTListen: r.MQTTListen, Hosts: r.Hosts, Open: r.Open, Loopback: r.Loopback, LogJSON: r.LogFormat == "json"}
	if err := c.LogFrom.UnmarshalText([]byte(r.LogLevel)); err != nil {
		return Config{}, setting.Errorf("log-level: %w", err) // a choice that slog does not know
	}
	var err error
	if c.TLS, err = r.certificate(); err != nil {
		return Config{}, err
	}
	if c.ProfileListen = r.ProfileListen; c.ProfileListen != "" {
		if err := setting.LoopbackAddress("profile-listen", c.ProfileListen); err != nil {
			return Config{}, err
		}
	}
	if c.Proxies, err = prefixes(r.Proxies); err != nil {
		return Config{}, err
	}
	if c.TimeStampServer, err = timeStampServer(r.TimeStampServer); err != nil {
		return Config{}, err
	}
	keys, err := auth.Open(auth.File(db))
	if err != nil {
		return Config{}, err
	}
	accounts, err := keys.Accounts()
	if err != nil {
		return Config{}, err
	}
	protected := c.TLS != nil && len(accounts) > 0
	if err := r.mayListen("http-listen", r.HTTPListen, protected); err != nil {
		return Config{}, err
	}
	if r.MQTTListen != "" {
		if err := r.mayListen("mqtt-listen", r.MQTTListen, protected); err != nil {
			return Config{}, err
		}
	}
	switch {
	case r.ForwardTo != "":
		if c.Hub, err = hub(r.ForwardTo, r.ForwardUser, r.ForwardPasswordFile, r.ForwardCA, r.Open); err != nil {
			return Config{}, err
		}
	case r.ForwardUser != "" || r.ForwardPasswordFile != "" || r.ForwardCA != "":
		return Config{}, setting.Errorf("forward-user, forward-password-file and forward-ca say how to reach a hub, but forward-to names none")
	}
	if c.KeepCounts = r.KeepCounts; c.KeepCounts != 0 && c.KeepCounts < leastCounts {
		return Config{}, setting.Errorf("keep-counts is %d: it must be at least %d, or 0 to keep all", c.KeepCounts, leastCounts)
	}
	if c.Alerts, err = r.Alerts.Config(r.Broker != "" || r.MQTTListen != ""); err != nil {
		return Config{}, err
	}
	if r.Broker == "" {
		if r.ClientID != "" || r.User != "" || r.PasswordFile != "" || r.BrokerCA != "" {
			return Config{}, setting.Errorf("mqtt-client-id, mqtt-user, mqtt-password-file and mqtt-ca say how to join a broker, but mqtt-broker names none")
		}
		return c, nil
	}
	c.Broker, err = r.join(db)
	return c, err
}

// timeStampServer reads the address of a time-stamp server.
func timeStampServer(text string) (string, error) {
	if u, err := url.Parse(text); text != "" && (err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https") {
		return "", setting.Errorf("time-stamp-server is %q: it must be an address like https://stamps.example/tsr", text)
	}
	return text, nil
}

// prefixes reads addresses and networks.
func prefixes(texts []string) (out []netip.Prefix, err error) {
	for _, text := range texts {
		p, err := netip.ParsePrefix(text)
		if at, addrErr := netip.ParseAddr(text); addrErr == nil {
			p, err = at.Prefix(at.BitLen())
		}
		if err != nil {
			return nil, setting.Errorf("trusted-proxy is %q: it must be an address like 127.0.0.1 or a network like 10.0.0.0/8", text)
		}
		out = append(out, p)
	}
	return out, nil
}

// mayListen refuses an address that others could reach, unless there are
// credentials and encryption.
func (r *Settings) mayListen(flag, address string, protected bool) error {
	host, port, err := net.SplitHostPort(address)
	if _, outside := strconv.ParseUint(port, 10, 16); err != nil || outside != nil {
		return setting.Errorf("%s is %q: it must be an address and a port, like 127.0.0.1:8470", flag, address)
	}
	if setting.Loopback(host) || protected || r.Open {
		return nil
	}
	return setting.Errorf("%s is %s, which other computers can reach. Remote access requires TLS (tls-cert, tls-key) and accounts (arcdrift device add, arcdrift person add). Set them up, listen on 127.0.0.1, or say --%s", flag, address, setting.OpenFlag)
}

// join is the outside broker.
func (r *Settings) join(db string) (*mqtt.Join, error) {
	u, err := url.Parse(r.Broker)
	if err != nil || u.Host == "" || u.Port() == "" || u.Scheme != "tcp" && u.Scheme != "ssl" {
		return nil, setting.Errorf("mqtt-broker is %q: it must be like tcp://broker:1883 or ssl://broker:8883", r.Broker)
	}
	if u.User != nil {
		return nil, setting.Errorf("mqtt-broker holds a user or a password: give them by mqtt-user and mqtt-password-file")
	}
	j := &mqtt.Join{URL: r.Broker, ID: r.ClientID, User: r.User}
	if j.ID == "" {
		if j.ID, err = stableID(db); err != nil {
			return nil, err
		}
	}
	if j.Password, err = setting.Password("mqtt-password-file", r.PasswordFile); err != nil || r.BrokerCA == "" {
		return j, err
	}
	if u.Scheme != "ssl" {
		return nil, setting.Errorf("mqtt-ca is for a broker that encrypts, but mqtt-broker is %q: use ssl://", r.Broker)
	}
	j.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
	j.TLS.RootCAs, err = setting.Authorities("mqtt-ca", r.BrokerCA)
	return j, err
}

// stableID is a client id that is the same at every start and another for
// another store or computer.
func stableID(db string) (string, error) {
	path, err := filepath.Abs(db)
	if err != nil {
		return "", fmt.Errorf("the place of the store is unknown: %w", err)
	}
	host, err := os.Hostname()
	if err != nil {
		return "", fmt.Errorf("this computer has no name to make a client id from; set mqtt-client-id: %w", err)
	}
	sum := sha256.Sum256([]byte(host + "\x00" + path))
	return "arcdrift-" + hex.EncodeToString(sum[:6]), nil
}

// certificate reads what makes the listeners speak TLS; nil when no setting asks
// for it.
func (r *Settings) certificate() (*tls.Config, error) {
	switch {
	case r.TLSCert == "" && r.TLSKey == "":
		return nil, nil
	case r.TLSCert == "" || r.TLSKey == "":
		return nil, setting.Errorf("tls-cert and tls-key go together: one of them is missing")
	}
	pair, err := tls.LoadX509KeyPair(r.TLSCert, r.TLSKey)
	if err != nil {
		return nil, setting.Errorf("tls-cert and tls-key cannot be used: %w", err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}, nil
}
