package mqtt

import (
	"errors"
	"log/slog"
	"net"
	"time"

	"arcdrift/agent/gate"
)

// connectTime is how long a client may take to authenticate.
const connectTime = 5 * time.Second

// writeTime is how long a client may take to read what it is sent. The broker writes to
// one client while others wait: to all acknowledgements, and under the lock of a client
// that a message is for.
const writeTime = 10 * time.Second

// Limits of unauthenticated connections. A fleet that comes back all at once from behind
// one address is let in in turns.
const (
	maxStrangers     = 512
	maxStrangersEach = 128
	// maxConnect is the greatest length of a CONNECT packet in bytes: name, secret,
	// client id, and a last will, which is not kept.
	maxConnect = 8 << 10
)

// listener protects the broker, which would wait for ever for a client that connects and
// sends nothing, allocates memory for a packet as soon as its length is announced, and
// gives up when it could not accept once. The listener gives a client a time limit and
// a few bytes to authenticate, and later a time limit to read what it is sent.
type listener struct {
	*gate.Listener
	writeTime time.Duration
}

// guarded is a connection of a client.
type guarded struct {
	*gate.Conn
	writeTime time.Duration
	head      [5]byte // the fixed header of the first packet
	read      int     // how many bytes of it were read
	accepted  bool    // the header is complete, and the packet short enough
}

func newListener(l net.Listener, writeTime time.Duration, log *slog.Logger) listener {
	return listener{gate.New(l, gate.Limits{All: maxStrangers, Each: maxStrangersEach, Shared: gate.Loopback()}, log), writeTime}
}

// Accept returns the next connection. The broker sets its own time limits for reading
// after the client has authenticated.
func (p listener) Accept() (net.Conn, error) {
	conn, err := p.Listener.Accept()
	if err != nil {
		return nil, err
	}
	_ = conn.SetReadDeadline(time.Now().Add(connectTime)) // an error shows at the first read
	return &guarded{Conn: conn.(*gate.Conn), writeTime: p.writeTime}, nil
}

// errConnect ends a connection before memory is allocated for its first packet.
var errConnect = errors.New("the first packet is not a CONNECT packet of at most 8 KB")

// Read passes on what the client sends, if it begins with a short CONNECT packet.
func (a *guarded) Read(b []byte) (int, error) {
	n, err := a.Conn.Read(b)
	for i := 0; i < n && !a.accepted; i++ {
		a.head[a.read] = b[i]
		a.read++
		length, whole := remaining(a.head[1:a.read])
		if a.head[0] != 0x10 || whole && length > maxConnect || !whole && a.read == len(a.head) {
			return 0, errors.Join(errConnect, a.Close())
		}
		a.accepted = whole
	}
	return n, err
}

// Write ends the connection of a client that does not read: whatever else is for it must
// not be waited for again.
func (a *guarded) Write(b []byte) (int, error) {
	_ = a.SetWriteDeadline(time.Now().Add(a.writeTime)) // an error shows at the write
	n, err := a.Conn.Write(b)
	if err != nil {
		err = errors.Join(err, a.Close())
	}
	return n, err
}

// SetDeadline sets the limit for reading alone. The broker sets it at every packet, far
// away or to none, as the client's keep-alive says.
func (a *guarded) SetDeadline(t time.Time) error { return a.SetReadDeadline(t) }

// remaining decodes the remaining length of a packet (MQTT 3.1.1, section 2.2.3) and
// says whether all of its bytes are there.
func remaining(b []byte) (length int, whole bool) {
	for i, v := range b {
		length |= int(v&0x7f) << (7 * i)
		if v&0x80 == 0 {
			return length, true
		}
	}
	return length, false
}
