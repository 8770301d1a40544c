package server_test

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/auth"
)

// A real agent, asked as systemd asks: what may change does, without a break;
// settings that are wrong change nothing; what cannot change is named.
func TestReload(t *testing.T) {
	dir := t.TempDir()
	db, file, address := filepath.Join(dir, "arcdrift.db"), filepath.Join(dir, "arcdrift.toml"), "127.0.0.1:"+agenttest.FreePort(t)
	certify := func() {
		_, err := auth.Certify(dir, []string{"127.0.0.1"}, time.Now())
		require.NoError(t, err)
	}
	settings := func(more string) {
		require.NoError(t, os.WriteFile(file, fmt.Appendf(nil, "http_listen = %q\ntls_cert = %q\ntls_key = %q\n%s",
			address, filepath.Join(dir, auth.ServerFile), filepath.Join(dir, auth.ServerKeyFile), more), 0o600))
	}
	certify()
	settings("")
	roots := x509.NewCertPool()
	authority, err := os.ReadFile(filepath.Join(dir, auth.AuthorityFile))
	require.NoError(t, err)
	require.True(t, roots.AppendCertsFromPEM(authority))
	socket, hears := agenttest.ServiceManager(t)
	cmd := exec.Command("arcdrift", "serve", "--db", db, "--config", file)
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+socket)
	said := &agenttest.Buffer{}
	cmd.Stderr = said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // where the test broke off; else it has ended
	require.Equal(t, "READY=1", hears(), "%s", said)
	agenttest.Await(t, db)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}, DisableKeepAlives: true}}
	reload := func() {
		require.NoError(t, cmd.Process.Signal(syscall.SIGHUP))
		require.Equal(t, "RELOADING=1", hears())
		require.Equal(t, "READY=1", hears())
	}
	alerted := func() bool {
		resp, err := client.Get("https://" + address + "/metrics")
		require.NoError(t, err)
		metrics, err := io.ReadAll(resp.Body)
		require.NoError(t, errors.Join(err, resp.Body.Close()))
		return strings.Contains(string(metrics), `channel="ops"`)
	}
	first := agenttest.ServedCertificate(t, address, roots)
	certify()
	settings("log_level = \"debug\"\nalert_channel = [\"ops=alertmanager+http://127.0.0.1:9\"]\n")
	reload()
	second := agenttest.ServedCertificate(t, address, roots)
	assert.NotEqual(t, first.SerialNumber, second.SerialNumber)
	assert.True(t, alerted())
	assert.NotContains(t, said.String(), "the next start")

	certify()
	settings("alert_channel = [\"ops=alertmanager+http://127.0.0.1:9\"]\nalert_morning = \"early\"\n")
	reload()
	assert.Equal(t, second.SerialNumber, agenttest.ServedCertificate(t, address, roots).SerialNumber, "nothing of a wrong file is taken")
	// What the agent says comes through a pipe, in its own time.
	agenttest.Soon(t, "the wrong file is reported", func() bool { return strings.Contains(said.String(), "are not valid") })
	assert.Equal(t, 1, strings.Count(said.String(), `the new settings are not valid; those before stay in force" error="alert-morning is \"early\"`), "%s", said)
	assert.True(t, alerted())

	settings("mqtt_listen = \"127.0.0.1:0\"\nlog_format = \"json\"\n")
	reload()
	agenttest.Soon(t, "what takes a restart is reported", func() bool {
		return strings.Contains(said.String(), `these settings take effect at the next start only" settings="[mqtt-listen log-format]"`)
	})
	assert.False(t, alerted())
	taken, err := client.Post("https://"+address+"/api/v1/records", "application/json", strings.NewReader(fmt.Sprintf(agenttest.Good, "after")))
	require.NoError(t, err)
	require.NoError(t, taken.Body.Close())
	assert.Equal(t, http.StatusCreated, taken.StatusCode)

	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.Equal(t, "STOPPING=1", hears())
	require.NoError(t, cmd.Wait(), "%s", said)
}
