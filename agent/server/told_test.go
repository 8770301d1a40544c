package server

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A service manager that cannot be told of a reload, as its socket is gone, stops nothing.
// Before, the agent ended at the next SIGHUP.
func TestReloadWithoutItsManager(t *testing.T) {
	var log bytes.Buffer
	s := &Server{manager: &systemd{socket: filepath.Join(t.TempDir(), "gone")}, log: slog.New(slog.NewTextHandler(&log, nil))}
	signals, read := make(chan os.Signal), 0
	ctx, stop := context.WithCancel(t.Context())
	r := &reloads{signals: signals, server: s, read: func() (Config, error) {
		if read++; read == 2 {
			stop()
		}
		return Config{}, errors.New("not valid")
	}}
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	for range 2 {
		select {
		case signals <- syscall.SIGHUP:
		case err := <-done:
			require.Fail(t, "it ended", "%v", err)
		}
	}
	require.NoError(t, <-done)
	assert.Equal(t, 4, strings.Count(log.String(), "does not know of the reload"), log.String())
}
