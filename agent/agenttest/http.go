package agenttest

import (
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Patience ends a test that hangs. It is no measure of speed: machines that run tests may be
// busy with much else.
const Patience = 10 * time.Minute

// Soon waits for something that has to happen, for no longer than [Patience].
func Soon(t *testing.T, what string, done func() bool) {
	t.Helper()
	for deadline := time.Now().Add(Patience); !done(); time.Sleep(20 * time.Millisecond) {
		require.True(t, time.Now().Before(deadline), "never happened: %s", what)
	}
}

const Good = `{"type":"usage","machine":"K-07","id":%q,"arc_count":5,"time":"2026-03-02T07:45:00Z"}`

func Post(t *testing.T, s *server.Server, body string) (status int, answer string) {
	t.Helper()
	resp, err := http.Post(s.URL()+"/api/v1/records", "application/json", strings.NewReader(body))
	require.NoError(t, err)
	var b bytes.Buffer
	_, err = b.ReadFrom(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	return resp.StatusCode, b.String()
}

// Fetch is what an address answers.
func Fetch(t *testing.T, url string) string {
	t.Helper()
	_, body := Got(t, url)
	return body
}

// Got is that with its status.
func Got(t *testing.T, url string) (status int, body string) {
	t.Helper()
	resp, err := http.Get(url)
	require.NoError(t, err)
	raw, err := io.ReadAll(resp.Body)
	require.NoError(t, errors.Join(err, resp.Body.Close()))
	return resp.StatusCode, string(raw)
}

// Read gets a page or answer of the agent.
func Read(t *testing.T, s *server.Server, path string) string {
	t.Helper()
	resp, err := http.Get(s.URL() + path)
	require.NoError(t, err)
	body, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	return string(body)
}

// Await waits until an agent has left its address and answers there.
func Await(t *testing.T, db string) string {
	t.Helper()
	url := ""
	require.Eventually(t, func() (ok bool) {
		url, ok = reach.RunningAgent(t.Context(), db)
		return ok
	}, 60*time.Second, 5*time.Millisecond)
	return url
}

// PostOnce posts a record and says whether it was acknowledged.
func PostOnce(url, record string) bool {
	resp, err := http.Post(url+"/api/v1/records", "application/json", strings.NewReader(record))
	return err == nil && resp.Body.Close() == nil && resp.StatusCode == http.StatusCreated
}

// ask sends one request as somebody and returns the status and the answer.
func AskAs(t *testing.T, s *server.Server, name, secret, method, path string, body []byte, gzipped bool) (int, string) {
	t.Helper()
	if gzipped {
		var b bytes.Buffer
		z := gzip.NewWriter(&b)
		_, err := z.Write(body)
		require.NoError(t, err)
		require.NoError(t, z.Close())
		body = b.Bytes()
	}
	req, err := http.NewRequest(method, s.URL()+path, bytes.NewReader(body))
	require.NoError(t, err)
	if gzipped {
		req.Header.Set("Content-Encoding", "gzip")
	}
	if name != "" {
		req.SetBasicAuth(name, secret)
	}
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	answer, err := io.ReadAll(resp.Body)
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	return resp.StatusCode, string(answer)
}

// Post sends a body and returns the status, 0 for no answer.
func PostStatus(ctx context.Context, url, body string) int {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, url+"/api/v1/records", strings.NewReader(body))
	if err != nil {
		return 0
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0
	}
	_, err = io.Copy(io.Discard, resp.Body)
	if resp.Body.Close() != nil || err != nil {
		return 0
	}
	return resp.StatusCode
}
