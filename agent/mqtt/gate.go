package mqtt

import (
	"errors"
	"log/slog"
	"net"
	"time"

	"arcdrift/agent/gate"
)

// greeting is how long a peer may take to say who it is.
const greeting = 5 * time.Second

// Limits of those who have not said it yet. A fleet that comes back all at once
// from behind one address gets in by turns.
const (
	maxStrangers     = 512
	maxStrangersEach = 128
	// maxConnect is the length in bytes of the longest CONNECT packet: a name, a
	// secret, a client id, and a last will, which is not kept.
	maxConnect = 8 << 10
)

// porch is the listener of the broker, which waits for ever for a peer that
// connects and says nothing, makes room for a packet as soon as somebody
// announces it, and gives up when it could not accept once. The porch gives a
// peer a time limit and a few bytes to say who it is.
type porch struct{ *gate.Listener }

// arriving is a connection whose first packet is watched.
type arriving struct {
	*gate.Conn
	head  [5]byte // the fixed header of the first packet
	read  int     // how many bytes of it were read
	heard bool    // it is whole, and short enough
}

func newPorch(l net.Listener, log *slog.Logger) porch {
	return porch{gate.New(l, gate.Limits{All: maxStrangers, Each: maxStrangersEach, Shared: gate.Loopback()}, log)}
}

// Accept lets the next peer in. The broker sets other limits once it has heard
// who it is.
func (p porch) Accept() (net.Conn, error) {
	conn, err := p.Listener.Accept()
	if err != nil {
		return nil, err
	}
	_ = conn.SetReadDeadline(time.Now().Add(greeting)) // if it is gone, whoever reads will see
	return &arriving{Conn: conn.(*gate.Conn)}, nil
}

// errConnect ends a connection before anything is kept of its first packet.
var errConnect = errors.New("the first packet is no CONNECT, or a very long one")

// Read hands on what the peer says, unless it begins with anything but a short
// CONNECT packet.
func (a *arriving) Read(b []byte) (int, error) {
	n, err := a.Conn.Read(b)
	for i := 0; i < n && !a.heard; i++ {
		a.head[a.read] = b[i]
		a.read++
		length, whole := remaining(a.head[1:a.read])
		if a.head[0] != 0x10 || whole && length > maxConnect || !whole && a.read == len(a.head) {
			return 0, errors.Join(errConnect, a.Close())
		}
		a.heard = whole
	}
	return n, err
}

// remaining decodes the length of the rest of a packet (MQTT 3.1.1, 2.2.3) and
// says whether it is there.
func remaining(b []byte) (length int, whole bool) {
	for i, v := range b {
		length |= int(v&0x7f) << (7 * i)
		if v&0x80 == 0 {
			return length, true
		}
	}
	return length, false
}
