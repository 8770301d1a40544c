package server

import (
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/http"
	"net/url"
	"time"

	"arcdrift/agent/forward"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/setting"
)

// hubDial is how long a connection to the hub may take to open.
const hubDial = 20 * time.Second

// hub is the agent to which all records are forwarded.
func hub(to, user, passwordFile, authority string, open bool) (*forward.Hub, error) {
	u, err := url.Parse(to)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.Path != "" && u.Path != "/" || u.RawQuery != "":
		return nil, setting.Errorf("forward-to is %q: it must be like https://hub.example:8470", to)
	case u.User != nil:
		return nil, setting.Errorf("forward-to holds a user or a password: give them by forward-user and forward-password-file")
	case u.Scheme == "http" && !setting.Loopback(u.Hostname()) && !open:
		return nil, setting.Errorf("forward-to is %s: records and password would cross the network in clear; use https, or say --%s", to, setting.OpenFlag)
	}
	h := &forward.Hub{URL: to, User: user}
	if h.Password, err = setting.Password("forward-password-file", passwordFile); err != nil {
		return nil, err
	}
	transport := &http.Transport{
		Proxy:               http.ProxyFromEnvironment,
		DialContext:         (&net.Dialer{Timeout: hubDial}).DialContext,
		TLSHandshakeTimeout: hubDial,
		TLSClientConfig:     &tls.Config{MinVersion: tls.VersionTLS12},
	}
	if authority != "" {
		if transport.TLSClientConfig.RootCAs, err = setting.Authorities("forward-ca", authority); err != nil {
			return nil, err
		}
	}
	h.Transport = transport
	return h, nil
}

// sameBroker is whether two settings join the same broker in the same way.
func sameBroker(a, b *mqtt.Join) bool {
	if a == nil || b == nil {
		return a == b
	}
	x, y := *a, *b
	x.TLS, y.TLS = nil, nil
	return x == y && (a.TLS == nil) == (b.TLS == nil) && (a.TLS == nil || a.TLS.RootCAs.Equal(b.TLS.RootCAs))
}

// sameHub is whether two settings reach the same hub in the same way.
func sameHub(a, b *forward.Hub) bool {
	if a == nil || b == nil {
		return a == b
	}
	known := func(h *forward.Hub) *x509.CertPool { return h.Transport.(*http.Transport).TLSClientConfig.RootCAs }
	return a.URL == b.URL && a.User == b.User && a.Password == b.Password && known(a).Equal(known(b))
}
