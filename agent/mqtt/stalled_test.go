package mqtt

import (
	"io"
	"log/slog"
	"net"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// twoDoors accepts connections over TCP, and ones without any buffer, to which nothing is
// written that is not read.
type twoDoors struct {
	net.Listener
	conns chan net.Conn
}

func (d twoDoors) Accept() (net.Conn, error) {
	conn, open := <-d.conns
	if !open {
		return nil, net.ErrClosed
	}
	return conn, nil
}

// unbuffered is the broker's end of such a connection.
type unbuffered struct{ net.Conn }

func (unbuffered) RemoteAddr() net.Addr { return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 1} }

// Clients that do not read what they are sent, and say that nobody need hear from them,
// hold up nobody else. Before, the broker waited for them without end: for the first in
// the row of all acknowledgements, for the second at the lock that the next message to it
// takes.
func TestClientThatDoesNotReadHoldsUpNobody(t *testing.T) {
	for name, said := range map[string][]packets.ControlPacket{
		"its acknowledgements": {publishPacket("arcdrift/v1/E-1/usage", `{"arc_count":1}`, false)},
		"its subscription":     {subscribePacket("arcdrift/v1/K-07/usage")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tcp, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			doors := twoDoors{tcp, make(chan net.Conn)}
			go func() {
				defer close(doors.conns)
				for {
					conn, err := tcp.Accept()
					if err != nil {
						return
					}
					doors.conns <- conn
				}
			}()
			handler, records := newHandler()
			b, err := newBroker(doors, time.Second, anyone{}, handler, slog.New(slog.DiscardHandler))
			require.NoError(t, err)
			run(t, b.Run)

			stalled, theirs := net.Pipe()
			doors.conns <- unbuffered{theirs}
			connect := (&hostile{evil: "any"}).connectPacket()
			connect.Keepalive = 0
			_, err = stalled.Write(bytesOf(t, connect))
			require.NoError(t, err)
			answer := make([]byte, 4)
			_, err = io.ReadFull(stalled, answer)
			require.NoError(t, err)
			require.Equal(t, "\x20\x02\x00\x00", string(answer), "it is let in")
			for _, p := range said {
				_, err = stalled.Write(bytesOf(t, p))
				require.NoError(t, err)
			}
			if name == "its subscription" {
				_, err = io.ReadFull(stalled, make([]byte, 5))
				require.NoError(t, err)
			} else {
				records.kept(t, 1)
			}

			device := publisher(t, tcp.Addr().String(), "van-3")
			for range 5 {
				publish(t, device, "arcdrift/v1/K-07/usage", `{"arc_count":5}`)
			}
			_, err = io.ReadAll(stalled)
			assert.NoError(t, err, "it was shown out")
			require.NoError(t, stalled.Close())
		})
	}
}
