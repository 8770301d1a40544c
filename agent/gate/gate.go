// Package gate limits the connections of unauthenticated clients: how many they may hold
// from one address, and how many in all. Clients that are authenticated do not count.
// The listener goes on when the computer has run out of descriptors or memory for the
// moment.
package gate

import (
	"errors"
	"log/slog"
	"net"
	"net/netip"
	"sync"
	"syscall"
	"time"

	"arcdrift/agent/backoff"
)

// Limits are the limits of a listener.
type Limits struct {
	// All is how many connections unauthenticated clients may hold together, Each how
	// many from one address. A /64 network of IPv6 counts as one address.
	All, Each int
	// Shared are addresses of many clients, such as proxies: Each does not apply there.
	Shared []netip.Prefix
}

// Loopback are the addresses of this computer, which may run a proxy.
func Loopback() []netip.Prefix {
	return []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}
}

// firstPause and longestPause are the bounds of the waits after the system could not
// accept a connection.
const firstPause, longestPause = 5 * time.Millisecond, time.Second

// Listener accepts connections within the limits.
type Listener struct {
	net.Listener
	limits Limits
	log    *slog.Logger

	mu      sync.Mutex
	open    map[*Conn]struct{} // nil once closed
	unknown int
	from    map[netip.Addr]int // unauthenticated connections of each address
}

// Conn is a connection that a [Listener] has accepted.
type Conn struct {
	net.Conn
	gate  *Listener
	from  netip.Addr
	known bool // authenticated, or closed; guarded by the gate's mutex
}

// New returns a listener with limits on top of l, which it owns from here on.
func New(l net.Listener, limits Limits, log *slog.Logger) *Listener {
	return &Listener{Listener: l, limits: limits, log: log, open: map[*Conn]struct{}{}, from: map[netip.Addr]int{}}
}

// Accept returns the next connection within the limits; others it closes. It returns an
// error only once the listener is closed.
func (l *Listener) Accept() (net.Conn, error) {
	pauses := backoff.Pauses{First: firstPause, Longest: longestPause}
	failures := 0
	for {
		conn, err := l.Listener.Accept()
		switch {
		case temporary(err):
			if failures++; failures == 1 {
				l.log.Error("connections cannot be accepted for the moment", "address", l.Addr().String(), "error", err)
			}
			time.Sleep(pauses.After(failures, 0))
			continue
		case err != nil:
			return nil, err
		}
		failures = 0
		if c, ok := l.admit(conn); ok {
			return c, nil
		}
		_ = conn.Close() // one too many; it gets no message
	}
}

// temporary says whether the system could not accept a connection for the moment.
func temporary(err error) bool {
	for _, e := range []syscall.Errno{syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM, syscall.ENOBUFS, syscall.ECONNABORTED} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// admit counts the connection, if the limits allow one more.
func (l *Listener) admit(conn net.Conn) (*Conn, bool) {
	from := networkOf(conn.RemoteAddr())
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open == nil || l.unknown >= l.limits.All || l.from[from] >= l.limits.Each && !l.shared(from) {
		return nil, false
	}
	c := &Conn{Conn: conn, gate: l, from: from}
	l.open[c] = struct{}{}
	l.unknown++
	l.from[from]++
	return c, true
}

func (l *Listener) shared(from netip.Addr) bool {
	for _, p := range l.limits.Shared {
		if p.Contains(from) {
			return true
		}
	}
	return false
}

// networkOf is the address that a connection counts for.
func networkOf(a net.Addr) netip.Addr {
	at, err := netip.ParseAddrPort(a.String())
	if err != nil {
		return netip.Addr{}
	}
	ip := at.Addr().Unmap().WithZone("")
	if ip.Is6() {
		if p, err := ip.Prefix(64); err == nil {
			return p.Addr()
		}
	}
	return ip
}

// Known marks the client as authenticated: the connection no longer counts.
func (c *Conn) Known() {
	c.gate.mu.Lock()
	defer c.gate.mu.Unlock()
	c.gate.forget(c)
}

// forget takes the connection out of the count, once.
func (l *Listener) forget(c *Conn) {
	if c.known {
		return
	}
	c.known = true
	l.unknown--
	if l.from[c.from]--; l.from[c.from] == 0 {
		delete(l.from, c.from)
	}
}

// Close closes the connection.
func (c *Conn) Close() error {
	c.gate.mu.Lock()
	c.gate.forget(c)
	delete(c.gate.open, c)
	c.gate.mu.Unlock()
	return c.Conn.Close()
}

// Close closes the listener and every connection that is open.
func (l *Listener) Close() error {
	err := l.Listener.Close()
	l.mu.Lock()
	defer l.mu.Unlock()
	for c := range l.open {
		_ = c.Conn.Close() // the connection ends either way
	}
	l.open = nil
	return err
}
