package server

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestProfilesOnThisComputerOnly(t *testing.T) {
	for address, allowed := range map[string]bool{
		"127.0.0.1:6060": true, "[::1]:6060": true,
		"0.0.0.0:6060": false, ":6060": false, "192.0.2.7:6060": false, "localhost": false,
	} {
		raw := Defaults()
		raw.ProfileListen = address
		_, err := raw.Config(filepath.Join(t.TempDir(), "arcdrift.db"))
		if allowed {
			assert.NoError(t, err, address)
		} else {
			assert.ErrorContains(t, err, fmt.Sprintf("profile-listen is %q", address))
		}
	}
	assert.Empty(t, Defaults().ProfileListen, "only when asked for")
}

func TestProfilesAreServed(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- profiles{l}.Run(ctx) }()
	get := func(path string) (int, string) {
		resp, err := http.Get("http://" + l.Addr().String() + "/debug/pprof/" + path)
		require.NoError(t, err)
		body, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		return resp.StatusCode, string(body)
	}
	_, body := get("goroutine?debug=1")
	assert.Contains(t, body, "goroutine profile:")
	code, body := get("profile?seconds=1")
	assert.Equal(t, http.StatusOK, code)
	assert.True(t, strings.HasPrefix(body, "\x1f\x8b"), "a profile is compressed by gzip")
	code, _ = get("nothing")
	assert.Equal(t, http.StatusNotFound, code)
	stop()
	require.NoError(t, <-ended)
}
