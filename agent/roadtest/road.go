// Package roadtest is a network that breaks, for tests of connections.
package roadtest

import (
	"math/rand/v2"
	"net"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Road forwards connections and breaks each after a number of bytes, in the middle of a
// handshake, a request or an answer. A connection may be cut, or stay open and silent; it
// may forward byte by byte.
type Road struct {
	listener net.Listener
	to       string
	longest  int // bytes before a break, at most
	wait     sync.WaitGroup

	mu     sync.Mutex
	chance *rand.Rand
	breaks int
	sound  chan struct{} // closed once nothing breaks any more
}

// New returns a road to an address. A seed always breaks in the same way; longest is the
// greatest number of bytes before a break.
func New(t testing.TB, to string, longest int, seed uint64) *Road {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	r := &Road{listener: l, to: to, longest: longest, chance: rand.New(rand.NewPCG(18, seed)), sound: make(chan struct{})}
	r.wait.Go(r.accept)
	t.Cleanup(func() {
		r.Repair()
		require.NoError(t, l.Close())
		r.wait.Wait()
	})
	return r
}

// Addr is the address to connect to.
func (r *Road) Addr() string { return r.listener.Addr().String() }

// Breaks counts the connections that were broken.
func (r *Road) Breaks() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.breaks
}

// Repair ends silent connections, and breaks no new one.
func (r *Road) Repair() {
	r.mu.Lock()
	defer r.mu.Unlock()
	select {
	case <-r.sound:
	default:
		close(r.sound)
	}
}

func (r *Road) accept() {
	for {
		near, err := r.listener.Accept()
		if err != nil {
			return
		}
		r.wait.Go(func() { r.carry(near) })
	}
}

// fate is what happens to a connection: it breaks after so many bytes in one direction,
// or never if that is negative.
type fate struct {
	there, back int
	slow        bool // byte by byte
	silent      bool // not cut
}

func (r *Road) fate() fate {
	r.mu.Lock()
	defer r.mu.Unlock()
	f := fate{there: -1, back: -1, slow: r.chance.IntN(8) == 0, silent: r.chance.IntN(4) == 0}
	if r.chance.IntN(2) == 0 {
		f.there = r.chance.IntN(r.longest)
	} else {
		f.back = r.chance.IntN(1 + r.longest/24) // answers are short
	}
	select {
	case <-r.sound:
		f.there, f.back = -1, -1
	default:
	}
	return f
}

// carry forwards one connection.
func (r *Road) carry(near net.Conn) {
	defer near.Close()
	far, err := net.Dial("tcp", r.to)
	if err != nil {
		return
	}
	defer far.Close()
	f := r.fate()
	var both sync.WaitGroup
	both.Go(func() { r.forward(far, near, f.there, f) })
	both.Go(func() { r.forward(near, far, f.back, f) })
	both.Wait()
}

// forward forwards one direction.
func (r *Road) forward(to, from net.Conn, most int, f fate) {
	defer to.Close()
	defer from.Close()
	buf := make([]byte, 4<<10)
	if f.slow {
		buf = buf[:1]
	}
	for most != 0 {
		part := buf
		if most > 0 {
			part = buf[:min(len(buf), most)]
		}
		n, err := from.Read(part)
		if _, writeErr := to.Write(buf[:n]); err != nil || writeErr != nil {
			return
		}
		if most > 0 {
			most -= n
		}
	}
	r.mu.Lock()
	r.breaks++
	r.mu.Unlock()
	if f.silent {
		<-r.sound
	}
}
