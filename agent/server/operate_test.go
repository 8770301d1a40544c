package server_test

import (
	"fmt"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/intake"
	"arcdrift/agent/mqtt"
	"arcdrift/agent/reach"
	"arcdrift/agent/server"
	"arcdrift/drift"
)

// /readyz says whether every service takes records, /healthz only that the agent
// lives: a real broker that is away, comes and goes moves the one and not the
// other. The log says each change once, asked or not.
func TestReadyAndHealthy(t *testing.T) {
	port := agenttest.FreePort(t)
	s, log, _ := agenttest.Start(t, agenttest.DB(t), func(c *server.Config) {
		c.MQTTListen, c.Broker = "", &mqtt.Join{URL: "tcp://127.0.0.1:" + port, ID: "yard"}
	})
	becomes := func(want int, when string) {
		t.Helper()
		require.Eventually(t, func() bool {
			resp, err := http.Get(s.URL() + "/readyz")
			return err == nil && resp.Body.Close() == nil && resp.StatusCode == want
		}, 2*time.Minute, 20*time.Millisecond, when)
		assert.Equal(t, "ok\n", agenttest.Fetch(t, s.URL()+"/healthz"), when)
	}
	says := func(text string, times int) {
		t.Helper()
		require.Eventually(t, func() bool { return strings.Count(log.String(), text) == times }, 2*time.Minute, 20*time.Millisecond, "%s in %s", text, log)
	}
	const away, there = `msg="not ready" error="the MQTT broker tcp://127.0.0.1:`, "msg=ready"
	becomes(http.StatusServiceUnavailable, "no broker yet")
	says(away, 1)
	kill := agenttest.Mosquitto(t, port)
	becomes(http.StatusOK, "the broker came")
	says(there, 1)
	kill()
	becomes(http.StatusServiceUnavailable, "the broker went")
	says(away, 2)
	// Whoever sets up a sender reads the log: it names the program, the store, and what
	// is refused, but not each of them.
	says(`arcdrift.db version=`, 1)
	for range 3 {
		resp, err := http.Post(s.URL()+"/api/v1/records", "application/json", strings.NewReader(`{"type":"calibration","machine":"K-07","passed":"maybe"}`))
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
	}
	says(`via=http records=1 last="passed is`, 1)
	assert.Equal(t, 1, strings.Count(log.String(), "records were refused"))
}

// An agent that is asked to stop does, although a reader hangs in the middle of
// an answer that has no time limit: who waited for it would wait for ever.
func TestStopsThoughAReaderHangs(t *testing.T) {
	db := filepath.Join(t.TempDir(), "arcdrift.db")
	offers := make([]intake.Submission, 2000) // an export that does not fit between two sockets: 8 MB
	for i := range offers {
		offers[i] = intake.Submission{Via: "import", Record: drift.Record{
			Type: drift.TypeUsage, ID: fmt.Sprint("u", i), Machine: "K-07", Time: agenttest.Now.Add(time.Duration(i) * time.Second),
			ArcCount: drift.Some(int64(i)), Extra: fmt.Appendf(nil, `{"note":"%04000d"}`, i),
		}}
	}
	agenttest.Fill(t, db, offers)
	cmd := exec.Command("arcdrift", "serve", "--db", db, "--http-listen", "127.0.0.1:0")
	said := &agenttest.Buffer{}
	cmd.Stderr = said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // where the test broke off; else it has ended
	url := agenttest.Await(t, db)
	hung, err := net.Dial("tcp", strings.TrimPrefix(url, "http://"))
	require.NoError(t, err)
	defer func() { require.NoError(t, hung.Close()) }()
	require.NoError(t, hung.(*net.TCPConn).SetReadBuffer(4096))
	_, err = hung.Write([]byte("GET /api/v1/records HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"))
	require.NoError(t, err)
	first := make([]byte, 15)
	_, err = hung.Read(first)
	require.NoError(t, err)
	require.Equal(t, "HTTP/1.1 200 OK", string(first))

	began := time.Now()
	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	select {
	case err := <-ended:
		require.NoError(t, err, "%s", said)
	case <-time.After(2 * time.Minute):
		require.NoError(t, cmd.Process.Kill())
		require.Fail(t, "it waits for the reader")
	}
	t.Logf("stopped after %s", time.Since(began))
	assert.NoFileExists(t, reach.AddressFile(db))
}
