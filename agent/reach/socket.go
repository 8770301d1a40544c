package reach

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
)

// SocketFile is the socket on which a running agent serves commands on its computer.
func SocketFile(db string) string { return db + ".socket" }

// longestAddress is what a socket's address may have in bytes on every system.
const longestAddress = 100

// atSocket calls f with an address of the socket. Where its path is longer than
// an address may be, the address leads through the open directory (Linux).
func atSocket(path string, f func(address string) error) error {
	if len(path) <= longestAddress {
		return f(path)
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(f(fmt.Sprintf("/proc/self/fd/%d/%s", dir.Fd(), filepath.Base(path))), dir.Close())
}

// ownListener accepts connections of those who may read the store's file anyhow: the
// user the agent runs as, and root. It closes those of others.
type ownListener struct {
	net.Listener
	path string
	log  *slog.Logger
}

// Listen listens on the socket beside the store, whose lock this process
// holds: a socket that is there is of an agent that was killed.
func Listen(db string, log *slog.Logger) (net.Listener, error) {
	path := SocketFile(db)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	var l net.Listener
	err := atSocket(path, func(address string) error {
		listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: address, Net: "unix"})
		if err != nil {
			return err
		}
		listener.SetUnlinkOnClose(false) // its address may have led through a directory that is closed
		l = listener
		return nil
	})
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		return nil, errors.Join(err, l.Close(), os.Remove(path))
	}
	return &ownListener{l, path, log}, nil
}

// Accept returns the next connection from one of ours.
func (l *ownListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if err := ours(conn.(*net.UnixConn)); err != nil {
			l.log.Warn("a connection of another user of this computer was refused", "error", err)
			_ = conn.Close() // without an answer
			continue
		}
		return conn, nil
	}
}

// Close ends listening and removes the socket.
func (l *ownListener) Close() error {
	err := l.Listener.Close()
	if errors.Is(err, net.ErrClosed) {
		return err
	}
	if gone := os.Remove(l.path); !errors.Is(gone, fs.ErrNotExist) {
		err = errors.Join(err, gone)
	}
	return err
}

// throughSocket carries requests to the agent that holds the store: by its
// socket, or where there is none by its address.
func throughSocket(db string) *http.Transport {
	plain := &net.Dialer{}
	return &http.Transport{DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
		if _, err := os.Stat(SocketFile(db)); err != nil {
			return plain.DialContext(ctx, network, address)
		}
		var conn net.Conn
		err := atSocket(SocketFile(db), func(socket string) (err error) {
			conn, err = plain.DialContext(ctx, "unix", socket)
			return err
		})
		return conn, err
	}}
}
