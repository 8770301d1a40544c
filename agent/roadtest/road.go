// Package roadtest is a network that breaks, for tests of what crosses one.
package roadtest

import (
	"math/rand/v2"
	"net"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// Road passes connections on and breaks each after a number of bytes, somewhere
// in the middle of what is said, be it a greeting, a question or its answer. A
// connection may be cut, or fall silent and stay open; it may pass byte by byte.
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

// New makes a road to an address. Equal seeds break alike; longest is after how
// many bytes, at most, it breaks.
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

// Addr is where the road begins.
func (r *Road) Addr() string { return r.listener.Addr().String() }

// Breaks counts the connections that were broken.
func (r *Road) Breaks() int {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.breaks
}

// Repair ends what fell silent, and breaks no new connection.
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

// fate is what becomes of a connection: it breaks after so many bytes there or
// back, never if less than 0.
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

// carry passes one connection on.
func (r *Road) carry(near net.Conn) {
	defer near.Close()
	far, err := net.Dial("tcp", r.to)
	if err != nil {
		return
	}
	defer far.Close()
	f := r.fate()
	var both sync.WaitGroup
	both.Go(func() { r.pass(far, near, f.there, f) })
	both.Go(func() { r.pass(near, far, f.back, f) })
	both.Wait()
}

// pass passes one direction on.
func (r *Road) pass(to, from net.Conn, most int, f fate) {
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
