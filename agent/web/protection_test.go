package web

import (
	"context"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestHostAllowList(t *testing.T) {
	for host, status := range map[string]int{
		"localhost:8080": 200, "127.0.0.1": 200, "[::1]:8080": 200, "192.168.7.4:80": 200, "van-4.example": 200, "VAN-4.example:443": 200,
		"evil.example": 421, "localhost.evil.example": 421, "127.0.0.1.evil.example": 421, "": 421,
	} {
		r := httptest.NewRequest("GET", "/healthz", nil)
		r.Host = host
		w := httptest.NewRecorder()
		serverFor(t, yard()).Handler().ServeHTTP(w, r)
		assert.Equal(t, status, w.Code, "host %q", host)
	}
}

func TestOtherOriginsChangeNothing(t *testing.T) {
	for _, path := range []string{"/api/v1/records", "/api/v1/refused", "/log", "/service", "/correct", "/alerts"} {
		for name, header := range map[string][2]string{"fetch metadata": {"Sec-Fetch-Site", "cross-site"}, "origin": {"Origin", "https://evil.example"}} {
			f := yard()
			r := httptest.NewRequest("POST", path, strings.NewReader(good))
			r.Header.Set(header[0], header[1])
			w := ask(t, f, r)
			assert.Equal(t, http.StatusForbidden, w.Code, "%s by %s", path, name)
			assert.Empty(t, f.taken)
		}
	}
}

func TestNoGetChangesState(t *testing.T) {
	f := yard()
	for _, path := range []string{"/", "/log?machine=K-07&passed=true", "/service?machine=K-07&action=cleaned", "/moved?machine=K-07&temperature_c=4", "/api/v1/machines", "/morning", "/refused"} {
		get(t, f, path)
	}
	assert.Empty(t, f.taken)
}

func TestHeadersOnEveryAnswer(t *testing.T) {
	for _, path := range []string{"/", "/machines/K-07", "/machines/nobody", "/static/style.css", "/static/nothing", "/api/v1/machines", "/healthz", "/nowhere"} {
		h := get(t, yard(), path).Header()
		csp := h.Get("Content-Security-Policy")
		assert.Contains(t, csp, "default-src 'self'", path)
		assert.Contains(t, csp, "frame-ancestors 'none'", path)
		assert.NotContains(t, csp, "unsafe", path)
		assert.Equal(t, "nosniff", h.Get("X-Content-Type-Options"), path)
	}
}

func TestStaticStaysInside(t *testing.T) {
	for _, path := range []string{"/static/../pages/layout.html", "/static/%2e%2e/pages/layout.html", "/static/..%2fpages%2flayout.html"} {
		w := get(t, yard(), path)
		assert.NotEqual(t, http.StatusOK, w.Code, path)
		assert.NotContains(t, w.Body.String(), "{{define", path)
	}
}

func TestRunServesAndStops(t *testing.T) {
	defer goleak.VerifyNone(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- serverFor(t, yard()).Run(ctx, ln) }()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	answer, err := client.Get("http://" + ln.Addr().String() + "/healthz")
	require.NoError(t, err)
	text, err := io.ReadAll(answer.Body)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	assert.Equal(t, "ok\n", string(text))
	stop()
	assert.NoError(t, <-done)
}

func TestRunSaysWhyItStopped(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, ln.Close())
	err = serverFor(t, yard()).Run(context.Background(), ln)
	assert.ErrorContains(t, err, ln.Addr().String())
}
