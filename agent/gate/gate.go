// Package gate keeps strangers at a listener within bounds: whoever has not yet
// said who it is may hold so many connections from one address and so many in
// all, and what it cannot hold is nobody else's loss. The listener outlives a
// computer that has run out of descriptors or memory for the moment.
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

// Limits of a listener.
type Limits struct {
	// All is how many connections strangers may hold together, Each how many
	// from one address; of IPv6 a network of 64 bits counts as one.
	All, Each int
	// Shared are addresses behind which many stand, as proxies do: Each does not
	// count there.
	Shared []netip.Prefix
}

// Loopback are the addresses of this computer, on which forwarders may be.
func Loopback() []netip.Prefix {
	return []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8"), netip.MustParsePrefix("::1/128")}
}

// firstPause and longestPause are the bounds of the waits after the system could not
// accept a connection.
const firstPause, longestPause = 5 * time.Millisecond, time.Second

// Listener lets connections in, within the limits.
type Listener struct {
	net.Listener
	limits Limits
	log    *slog.Logger

	mu        sync.Mutex
	open      map[*Conn]struct{} // nil once closed
	strangers int
	from      map[netip.Addr]int // strangers of each address
}

// Conn is a connection that came through a gate.
type Conn struct {
	net.Conn
	gate  *Listener
	from  netip.Addr
	known bool // guarded by the gate
}

// New returns a gate in front of a listener, which it owns from here on.
func New(l net.Listener, limits Limits, log *slog.Logger) *Listener {
	return &Listener{Listener: l, limits: limits, log: log, open: map[*Conn]struct{}{}, from: map[netip.Addr]int{}}
}

// Accept lets the next one in. It ends with the listener only.
func (l *Listener) Accept() (net.Conn, error) {
	pauses := backoff.Pauses{First: firstPause, Longest: longestPause}
	failures := 0
	for {
		conn, err := l.Listener.Accept()
		switch {
		case passing(err):
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
		_ = conn.Close() // one too many; it is told nothing
	}
}

// passing says whether the error is the system's and may be over in a moment.
func passing(err error) bool {
	for _, e := range []syscall.Errno{syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM, syscall.ENOBUFS, syscall.ECONNABORTED} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// admit counts the connection in, if there is room for one more stranger.
func (l *Listener) admit(conn net.Conn) (*Conn, bool) {
	from := networkOf(conn.RemoteAddr())
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.open == nil || l.strangers >= l.limits.All || l.from[from] >= l.limits.Each && !l.shared(from) {
		return nil, false
	}
	c := &Conn{Conn: conn, gate: l, from: from}
	l.open[c] = struct{}{}
	l.strangers++
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

// networkOf is the address that counts for one of a stranger.
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

// Known says that whoever is at the other end has said who it is: it is a
// stranger no more.
func (c *Conn) Known() {
	c.gate.mu.Lock()
	defer c.gate.mu.Unlock()
	c.gate.forget(c)
}

// forget takes the connection out of the strangers' count, once.
func (l *Listener) forget(c *Conn) {
	if c.known {
		return
	}
	c.known = true
	l.strangers--
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
		_ = c.Conn.Close() // the peer is cut off either way
	}
	l.open = nil
	return err
}
