package gate

import (
	"io"
	"log/slog"
	"net"
	"net/netip"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// street is a listener to which connections come from any address, and at which
// accepting may fail.
type street struct{ come chan any }

func (s street) Accept() (net.Conn, error) {
	switch next := (<-s.come).(type) {
	case error:
		return nil, next
	case string:
		near, _ := net.Pipe()
		return &walker{near, next, false}, nil
	}
	return nil, net.ErrClosed
}
func (street) Close() error   { return nil }
func (street) Addr() net.Addr { return &net.TCPAddr{} }

type walker struct {
	net.Conn
	from   string
	closed bool
}

func (w *walker) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(w.from))
}
func (w *walker) Close() error {
	w.closed = true
	return w.Conn.Close()
}

func TestUnauthenticatedConnectionsAreLimited(t *testing.T) {
	s := street{make(chan any, 100)}
	l := New(s, Limits{All: 5, Each: 2, Shared: Loopback()}, slog.New(slog.DiscardHandler))
	// takes says how many of those who come are let in.
	takes := func(who ...any) (in []*Conn) {
		t.Helper()
		for _, w := range who {
			s.come <- w
		}
		s.come <- nil
		for {
			c, err := l.Accept()
			if err != nil {
				require.ErrorIs(t, err, net.ErrClosed)
				return in
			}
			in = append(in, c.(*Conn))
		}
	}
	first := takes("192.0.2.7:1", "192.0.2.7:2", "192.0.2.7:3", "[::ffff:192.0.2.7]:4")
	require.Len(t, first, 2, "two from one address")
	first[0].Known()
	first[0].Known()
	more := takes("192.0.2.7:5", "192.0.2.7:6")
	require.Len(t, more, 1, "one that is known makes room for one, once")
	require.Len(t, takes("[2001:db8::1]:1", "[2001:db8::2:1]:1", "[2001:db8::3]:1"), 2, "a network of 64 bits is one address")
	require.Len(t, takes("127.0.0.1:1", "127.0.0.1:2"), 1, "five in all")
	require.NoError(t, more[0].Close())
	_ = more[0].Close() // a second time changes nothing
	require.Len(t, takes("127.0.0.1:3", "127.0.0.1:4"), 1)

	require.Len(t, takes(&net.OpError{Op: "accept", Err: syscall.EMFILE}, syscall.ECONNABORTED, "127.0.0.1:5"), 0)
	require.NoError(t, l.Close())
	_, err := first[0].Read(make([]byte, 1))
	assert.ErrorIs(t, err, io.ErrClosedPipe, "closing ends those who are in")
}
