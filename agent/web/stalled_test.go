package web

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// oneDoor accepts connections that have no buffer.
type oneDoor struct {
	conns chan net.Conn
	done  chan struct{}
}

func (d oneDoor) Accept() (net.Conn, error) {
	select {
	case conn := <-d.conns:
		return conn, nil
	case <-d.done:
		return nil, net.ErrClosed
	}
}

func (d oneDoor) Close() error { close(d.done); return nil }
func (oneDoor) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8470} }

// A download may take as long as its client goes on reading, however slowly, and ends when
// the client reads no more. Before, a backup that stood still was waited for without end,
// and with it, once somebody was to be forgotten, every page and every record.
func TestDownloadThatStandsStillEnds(t *testing.T) {
	s := serverFor(t, yard())
	synctest.Test(t, func(t *testing.T) {
		ended := make(chan error, 1)
		s.Backup = func(w io.Writer) error {
			for {
				if _, err := w.Write(make([]byte, 100<<10)); err != nil {
					ended <- err
					return err
				}
			}
		}
		door := oneDoor{make(chan net.Conn), make(chan struct{})}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx, door) }()
		client, theirs := net.Pipe()
		door.conns <- theirs
		_, err := io.WriteString(client, "GET /api/v1/backup HTTP/1.1\r\nHost: localhost\r\n\r\n")
		require.NoError(t, err)
		answer, err := http.ReadResponse(bufio.NewReaderSize(client, 16), nil)
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, answer.StatusCode)
		for range 100 {
			time.Sleep(writeTime / 20)
			_, err = io.CopyN(io.Discard, answer.Body, 16<<10)
			require.NoError(t, err)
		}
		select {
		case err := <-ended:
			assert.ErrorContains(t, err, "timeout")
		case <-time.After(time.Hour):
			assert.Fail(t, "it is waited for")
		}
		require.NoError(t, client.Close())
		stop()
		require.NoError(t, <-done)
	})
}
