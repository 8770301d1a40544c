package server

import (
	"context"
	"net"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The datagrams of sd_notify(3), as a service manager would receive them.
func TestServiceManagerGetsTheState(t *testing.T) {
	socket, hears := listenAsManager(t)
	s := newSystemd([]string{"HOME=/", "NOTIFY_SOCKET=" + socket, "WATCHDOG_USEC=20000"}, func() error { return nil })
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	assert.Equal(t, "READY=1", hears())
	assert.Equal(t, "WATCHDOG=1", hears())
	assert.Equal(t, "WATCHDOG=1", hears())
	cancel()
	said := hears()
	for said == "WATCHDOG=1" {
		said = hears()
	}
	assert.Equal(t, "STOPPING=1", said)
	require.NoError(t, <-done)
}

// listenAsManager hears what a service manager is told.
func listenAsManager(t *testing.T) (socket string, hears func() string) {
	t.Helper()
	socket = filepath.Join(t.TempDir(), "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, manager.Close()) })
	return socket, func() string {
		b := make([]byte, 100)
		require.NoError(t, manager.SetReadDeadline(time.Now().Add(time.Minute)))
		n, err := manager.Read(b)
		require.NoError(t, err)
		return string(b[:n])
	}
}
