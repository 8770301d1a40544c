package server_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/server"
)

// The datagrams of sd_notify(3), as a service manager would receive them.
func TestServiceManagerGetsTheState(t *testing.T) {
	socket, hears := agenttest.ServiceManager(t)
	s := server.NewSystemd([]string{"HOME=/", "NOTIFY_SOCKET=" + socket, "WATCHDOG_USEC=20000"}, func() error { return nil })
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
