package agent

import (
	"context"
	"io"
	"net"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestProfilesOnThisComputerOnly(t *testing.T) {
	for address, allowed := range map[string]bool{
		"127.0.0.1:6060": true, "[::1]:6060": true,
		"0.0.0.0:6060": false, ":6060": false, "192.0.2.7:6060": false, "localhost": false,
	} {
		raw := defaults()
		raw.profileListen = address
		_, err := raw.valid(tempDB(t))
		if allowed {
			assert.NoError(t, err, address)
		} else {
			assert.ErrorContains(t, err, "profile-listen "+address)
		}
	}
	assert.Empty(t, defaults().profileListen, "only when asked for")
}

func TestProfilesAreServed(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- profiles{l}.Run(ctx) }()
	resp, err := http.Get("http://" + l.Addr().String() + "/debug/pprof/goroutine?debug=1")
	require.NoError(t, err)
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	assert.Contains(t, string(body), "goroutine profile:")
	stop()
	require.NoError(t, <-ended)
}
