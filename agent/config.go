package agent

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/pflag"

	"arcdrift/agent/auth"
	"arcdrift/agent/forward"
	"arcdrift/agent/mqtt"
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
	// Hub is the agent to which all is sent on, nil for none.
	Hub *forward.Hub
	// KeepCounts is how many arc counts of each machine stay whole, 0 for all.
	KeepCounts int
	// Alerts says who is told what.
	Alerts Alerts
	// TLS is how the listeners encrypt, nil for not at all.
	TLS *tls.Config
	// Hosts are names under which the pages are called.
	Hosts []string
	// Proxies are believed about whence a request came.
	Proxies []netip.Prefix
	// Open says that the listeners are meant to be open to a network.
	Open bool
	// Loopback says that whoever is on this computer needs no account.
	Loopback bool
	// LogJSON writes the log as JSON, LogFrom is the least that is logged.
	LogJSON bool
	LogFrom slog.Level
}

// rawConfig is what flags, environment and file say.
type rawConfig struct {
	httpListen, mqttListen               string
	profileListen                        string
	broker, clientID, user, passwordFile string
	brokerCA                             string
	forwardTo, forwardUser               string
	forwardPasswordFile, forwardCA       string
	tlsCert, tlsKey                      string
	hosts, proxies                       []string
	keepCounts                           int
	alerts                               rawAlerts
	open, loopback                       bool
	logFormat, logLevel                  choice
}

// defaults are the settings as they are when nobody says otherwise.
func defaults() rawConfig {
	var r rawConfig
	r.flags(pflag.NewFlagSet("", pflag.ContinueOnError))
	return r
}

// openFlag names the flag that opens a listener to a network: its name says
// what it does.
const openFlag = "open-to-network-without-protection"

// flags defines the settings of serve.
func (r *rawConfig) flags(flags *pflag.FlagSet) {
	r.logFormat = choice{formatText, []string{formatText, formatJSON}}
	r.logLevel = choice{"info", []string{"debug", "info", "warn", "error"}}
	flags.SortFlags = false
	flags.StringVar(&r.httpListen, "http-listen", "127.0.0.1:8470", "`ADDRESS` of the pages and the HTTP interface")
	flags.StringVar(&r.mqttListen, "mqtt-listen", "", "run the embedded MQTT broker on this `ADDRESS`, like 127.0.0.1:1883")
	flags.StringVar(&r.broker, "mqtt-broker", "", "join the MQTT broker at this `URL`, like tcp://broker:1883 or ssl://broker:8883")
	flags.StringVar(&r.clientID, "mqtt-client-id", "", "client `ID` at that broker; it must stay the same; made from this computer's name and the store's place if left out")
	flags.StringVar(&r.user, "mqtt-user", "", "user `NAME` at that broker")
	flags.StringVar(&r.passwordFile, "mqtt-password-file", "", "`FILE` with the password at that broker")
	flags.StringVar(&r.brokerCA, "mqtt-ca", "", "PEM `FILE` with the certificate by which that broker is known, instead of the system's")
	flags.StringVar(&r.forwardTo, "forward-to", "", "send everything on to the hub at this `URL`, like https://hub.example:8470")
	flags.StringVar(&r.forwardUser, "forward-user", "", "user `NAME` at that hub")
	flags.StringVar(&r.forwardPasswordFile, "forward-password-file", "", "`FILE` with the password at that hub")
	flags.StringVar(&r.forwardCA, "forward-ca", "", "PEM `FILE` with the certificate by which that hub is known, instead of the system's")
	flags.IntVar(&r.keepCounts, "keep-counts", 0, "keep only the last `NUMBER` of arc counts of each machine whole, and of older ones what the answers rest on; 0 for all")
	r.alerts.flags(flags)
	flags.StringVar(&r.tlsCert, "tls-cert", "", "PEM `FILE` with the certificate of the pages and of the embedded broker")
	flags.StringVar(&r.tlsKey, "tls-key", "", "PEM `FILE` with that certificate's key")
	flags.StringSliceVar(&r.hosts, "host", nil, "`NAME` by which the pages are called, beside localhost and addresses; may be repeated")
	flags.StringSliceVar(&r.proxies, "trusted-proxy", nil, "`ADDRESS` or network of a proxy before the pages, like 127.0.0.1 or 10.0.0.0/8, that is believed about whence a request came; may be repeated")
	flags.BoolVar(&r.open, openFlag, false, "listen beyond this computer without encryption, and without credentials while there are none, although anybody there could then read and write")
	flags.BoolVar(&r.loopback, "loopback-without-account", false, "let in without an account whoever connects from this computer, also when there are accounts; a proxy or tunnel on it then lets in everybody")
	flags.StringVar(&r.profileListen, "profile-listen", "", "serve the Go runtime's profiles on this `ADDRESS` of this computer, like 127.0.0.1:6060")
	flags.Var(&r.logFormat, "log-format", "form of the log")
	flags.Var(&r.logLevel, "log-level", "the least that is logged")
	flags.String("config", "", "TOML `FILE` with any of these settings, like http_listen = \"127.0.0.1:8470\"")
}

// valid checks the settings together; every error names the setting.
func (r *rawConfig) valid(db string) (Config, error) {
	c := Config{DB: db, HTTPListen: r.httpListen, MQTTListen: r.mqttListen, Hosts: r.hosts, Open: r.open, Loopback: r.loopback, LogJSON: r.logFormat.value == formatJSON}
	if err := c.LogFrom.UnmarshalText([]byte(r.logLevel.value)); err != nil {
		return Config{}, usagef("log-level: %w", err) // a choice that slog does not know
	}
	var err error
	if c.TLS, err = r.certificate(); err != nil {
		return Config{}, err
	}
	if c.ProfileListen = r.profileListen; c.ProfileListen != "" {
		if err := loopbackOnly("profile-listen", c.ProfileListen); err != nil {
			return Config{}, err
		}
	}
	if c.Proxies, err = prefixes(r.proxies); err != nil {
		return Config{}, err
	}
	keys, err := auth.Open(accessFile(db))
	if err != nil {
		return Config{}, err
	}
	accounts, err := keys.Accounts()
	if err != nil {
		return Config{}, err
	}
	guarded := c.TLS != nil && len(accounts) > 0
	if err := r.mayListen("http-listen", r.httpListen, guarded); err != nil {
		return Config{}, err
	}
	if r.mqttListen != "" {
		if err := r.mayListen("mqtt-listen", r.mqttListen, guarded); err != nil {
			return Config{}, err
		}
	}
	switch {
	case r.forwardTo != "":
		if c.Hub, err = r.hub(); err != nil {
			return Config{}, err
		}
	case r.forwardUser != "" || r.forwardPasswordFile != "" || r.forwardCA != "":
		return Config{}, usagef("forward-user, forward-password-file and forward-ca say how to reach a hub, but forward-to names none")
	}
	if c.KeepCounts = r.keepCounts; c.KeepCounts != 0 && c.KeepCounts < leastCounts {
		return Config{}, usagef("keep-counts is %d: it must be at least %d, or 0 to keep all", c.KeepCounts, leastCounts)
	}
	if c.Alerts, err = r.alerts.valid(r.broker != "" || r.mqttListen != ""); err != nil {
		return Config{}, err
	}
	if r.broker == "" {
		if r.clientID != "" || r.user != "" || r.passwordFile != "" || r.brokerCA != "" {
			return Config{}, usagef("mqtt-client-id, mqtt-user, mqtt-password-file and mqtt-ca say how to join a broker, but mqtt-broker names none")
		}
		return c, nil
	}
	c.Broker, err = r.join(db)
	return c, err
}

// prefixes reads addresses and networks.
func prefixes(texts []string) (out []netip.Prefix, err error) {
	for _, text := range texts {
		p, err := netip.ParsePrefix(text)
		if at, addrErr := netip.ParseAddr(text); addrErr == nil {
			p, err = at.Prefix(at.BitLen())
		}
		if err != nil {
			return nil, usagef("trusted-proxy is %q: it must be an address like 127.0.0.1 or a network like 10.0.0.0/8", text)
		}
		out = append(out, p)
	}
	return out, nil
}

// mayListen refuses an address that others could reach, unless there are
// credentials and encryption.
func (r *rawConfig) mayListen(setting, address string, guarded bool) error {
	host, port, err := net.SplitHostPort(address)
	if _, outside := strconv.ParseUint(port, 10, 16); err != nil || outside != nil {
		return usagef("%s is %q: it must be an address and a port, like 127.0.0.1:8470", setting, address)
	}
	if loopback(host) || guarded || r.open {
		return nil
	}
	return usagef("%s is %s, which others can reach: that takes encryption (tls-cert, tls-key) and credentials (arcdrift device add, arcdrift person add); or listen on 127.0.0.1, or say --%s", setting, address, openFlag)
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// join is the outside broker.
func (r *rawConfig) join(db string) (*mqtt.Join, error) {
	u, err := url.Parse(r.broker)
	if err != nil || u.Host == "" || u.Port() == "" || u.Scheme != "tcp" && u.Scheme != "ssl" {
		return nil, usagef("mqtt-broker is %q: it must be like tcp://broker:1883 or ssl://broker:8883", r.broker)
	}
	if u.User != nil {
		return nil, usagef("mqtt-broker holds a user or a password: give them by mqtt-user and mqtt-password-file")
	}
	j := &mqtt.Join{URL: r.broker, ID: r.clientID, User: r.user}
	if j.ID == "" {
		if j.ID, err = stableID(db); err != nil {
			return nil, err
		}
	}
	if j.Password, err = passwordFrom("mqtt-password-file", r.passwordFile); err != nil || r.brokerCA == "" {
		return j, err
	}
	if u.Scheme != "ssl" {
		return nil, usagef("mqtt-ca is for a broker that encrypts, but mqtt-broker is %q: use ssl://", r.broker)
	}
	j.TLS = &tls.Config{MinVersion: tls.VersionTLS12}
	j.TLS.RootCAs, err = knownBy("mqtt-ca", r.brokerCA)
	return j, err
}

// knownBy is the authority in the file that a setting names.
func knownBy(setting, file string) (*x509.CertPool, error) {
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, usagef("%s cannot be read: %w", setting, err)
	}
	known := x509.NewCertPool()
	if !known.AppendCertsFromPEM(raw) {
		return nil, usagef("%s is %s: there is no certificate in it", setting, file)
	}
	return known, nil
}

// passwordFrom reads the file that a setting names, if it names one.
func passwordFrom(setting, file string) (string, error) {
	if file == "" {
		return "", nil
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		return "", usagef("%s cannot be read: %w", setting, err)
	}
	return strings.TrimRight(string(raw), "\r\n"), nil
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
