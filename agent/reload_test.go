package agent

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
)

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

// servedCertificate is the one that a listener shows now.
func servedCertificate(t *testing.T, address string, roots *x509.CertPool) *x509.Certificate {
	t.Helper()
	conn, err := tls.Dial("tcp", address, &tls.Config{RootCAs: roots})
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close()) }()
	return conn.ConnectionState().PeerCertificates[0]
}

// A real agent, asked as systemd asks: what may change does, without a break;
// settings that are wrong change nothing; what cannot change is named.
func TestReload(t *testing.T) {
	dir := t.TempDir()
	db, file, address := filepath.Join(dir, "arcdrift.db"), filepath.Join(dir, "arcdrift.toml"), "127.0.0.1:"+freeTCPPort(t)
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
	socket, hears := listenAsManager(t)
	cmd := exec.Command("arcdrift", "serve", "--db", db, "--config", file)
	cmd.Env = append(os.Environ(), "NOTIFY_SOCKET="+socket)
	said := &lockedBuffer{}
	cmd.Stderr = said
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill() }) // where the test broke off; else it has ended
	require.Equal(t, "READY=1", hears(), "%s", said)
	own := newRemote(db, awaitAgent(t, db))
	defer func() { require.NoError(t, own.Close()) }()
	reload := func() {
		require.NoError(t, cmd.Process.Signal(syscall.SIGHUP))
		require.Equal(t, "RELOADING=1", hears())
		require.Equal(t, "READY=1", hears())
	}
	told := func() bool {
		_, metrics, err := own.once(t.Context(), http.MethodGet, "/metrics", nil)
		require.NoError(t, err)
		return strings.Contains(string(metrics), `channel="ops"`)
	}
	first := servedCertificate(t, address, roots)
	certify()
	settings("log_level = \"debug\"\nalert_channel = [\"ops=alertmanager+http://127.0.0.1:9\"]\n")
	reload()
	second := servedCertificate(t, address, roots)
	assert.NotEqual(t, first.SerialNumber, second.SerialNumber)
	assert.True(t, told())
	assert.NotContains(t, said.String(), "the next start")

	certify()
	settings("alert_channel = [\"ops=alertmanager+http://127.0.0.1:9\"]\nalert_morning = \"early\"\n")
	reload()
	assert.Equal(t, second.SerialNumber, servedCertificate(t, address, roots).SerialNumber, "nothing of a wrong file is taken")
	// What the agent says comes through a pipe, in its own time.
	soon(t, "the wrong file is said", func() bool { return strings.Contains(said.String(), "not taken") })
	assert.Equal(t, 1, strings.Count(said.String(), `the settings were not taken, those before stay in force" error="alert-morning is \"early\"`), "%s", said)
	assert.True(t, told())

	settings("mqtt_listen = \"127.0.0.1:0\"\nlog_format = \"json\"\n")
	reload()
	soon(t, "what takes a restart is said", func() bool {
		return strings.Contains(said.String(), `these settings are in force after the next start only" settings="[mqtt-listen log-format]"`)
	})
	assert.False(t, told())
	taken, _, err := own.once(t.Context(), http.MethodPost, "/api/v1/records", fmt.Appendf(nil, good, "after"))
	require.NoError(t, err)
	assert.Equal(t, http.StatusCreated, taken)

	require.NoError(t, cmd.Process.Signal(syscall.SIGTERM))
	require.Equal(t, "STOPPING=1", hears())
	require.NoError(t, cmd.Wait(), "%s", said)
}

// A setting that changes is in force at once or is said to take a restart.
func TestEverySettingIsTakenOrNamed(t *testing.T) {
	dir := t.TempDir()
	written := func(name, text string) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		return path
	}
	_, err := auth.Certify(dir, []string{"127.0.0.1"}, time.Now())
	require.NoError(t, err)
	at := func(name string) string { return filepath.Join(dir, name) }
	before := map[string]string{
		"http-listen": "127.0.0.1:1", "mqtt-listen": "127.0.0.1:2", "mqtt-broker": "ssl://broker:8883", "mqtt-client-id": "yard",
		"mqtt-user": "ines", "mqtt-password-file": written("mqtt-1", "one"),
		"forward-to": "https://hub.example:8470", "forward-user": "ines", "forward-password-file": written("forward-1", "one"),
	}
	after := map[string]string{
		"http-listen": "127.0.0.1:3", "mqtt-listen": "127.0.0.1:4", "mqtt-broker": "ssl://other:8883", "mqtt-ca": at(auth.AuthorityFile), "mqtt-client-id": "van",
		"mqtt-user": "jon", "mqtt-password-file": written("mqtt-2", "two"),
		"forward-to": "https://other.example:8470", "forward-user": "jon", "forward-password-file": written("forward-2", "two"),
		"forward-ca": at(auth.AuthorityFile), "host": "yard.example", openFlag: "true", "loopback-without-account": "true", "trusted-proxy": "10.0.0.0/8", "profile-listen": "127.0.0.1:5", "log-format": "json", "keep-counts": "1000",
	}
	config := func(changed string) Config {
		var raw rawConfig
		flags := pflag.NewFlagSet("serve", pflag.ContinueOnError)
		raw.flags(flags)
		for name, value := range before {
			require.NoError(t, flags.Set(name, value))
		}
		if changed != "" {
			require.NoError(t, flags.Set(changed, after[changed]), changed)
		}
		c, err := raw.valid(at("arcdrift.db"))
		require.NoError(t, err, changed)
		return c
	}
	old, same := config(""), config("")
	require.Empty(t, old.takesRestart(&same))
	pflags := pflag.NewFlagSet("serve", pflag.ContinueOnError)
	new(rawConfig).flags(pflags)
	pflags.VisitAll(func(f *pflag.Flag) {
		live := strings.HasPrefix(f.Name, "alert-") || strings.HasPrefix(f.Name, "mail-") || strings.HasPrefix(f.Name, "tls-") || f.Name == "log-level"
		if _, ok := after[f.Name]; live || f.Name == "config" {
			assert.False(t, ok, f.Name)
			return
		}
		next := config(f.Name)
		assert.Len(t, old.takesRestart(&next), 1, f.Name)
	})
	encrypted := old
	encrypted.TLS = &tls.Config{}
	assert.Equal(t, []string{"tls-cert"}, old.takesRestart(&encrypted), "listeners without encryption do not begin to encrypt")
}
