package mqtt

import (
	"net"
	"sync"
	"time"
)

// greeting is how long a peer may take to say who it is.
const greeting = 5 * time.Second

// gate is a listener that knows its connections. The broker behind it waits for
// ever for a peer that connects and says nothing, also when it is to close; the
// gate gives such a peer a time limit, and closes with all that is still open.
type gate struct {
	net.Listener
	mu   sync.Mutex
	open map[*passage]struct{} // nil once closed
}

// passage is a connection that came through the gate.
type passage struct {
	net.Conn
	gate *gate
}

func newGate(l net.Listener) *gate {
	return &gate{Listener: l, open: map[*passage]struct{}{}}
}

// Accept lets the next peer in. The broker sets other limits once it has heard
// who it is.
func (g *gate) Accept() (net.Conn, error) {
	conn, err := g.Listener.Accept()
	if err != nil {
		return nil, err
	}
	p := &passage{conn, g}
	if err := conn.SetReadDeadline(time.Now().Add(greeting)); err != nil {
		return p, nil // it is gone: whoever reads will see
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.open == nil {
		_ = conn.Close() // too late; whoever reads will see
		return p, nil
	}
	g.open[p] = struct{}{}
	return p, nil
}

// Close closes the listener and every connection.
func (g *gate) Close() error {
	err := g.Listener.Close()
	g.mu.Lock()
	defer g.mu.Unlock()
	for p := range g.open {
		_ = p.Conn.Close() // the peer is cut off either way
	}
	g.open = nil
	return err
}

// Close closes the connection.
func (p *passage) Close() error {
	p.gate.mu.Lock()
	delete(p.gate.open, p)
	p.gate.mu.Unlock()
	return p.Conn.Close()
}
