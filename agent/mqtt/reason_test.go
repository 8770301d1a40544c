package mqtt

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
)

// awaitWhy runs a client that cannot join, until it reports why.
func awaitWhy(t *testing.T, join Join, why string) {
	t.Helper()
	handler, _ := newHandler()
	var log bytes.Buffer
	c := NewClient(join, handler, slog.New(slog.NewTextHandler(&log, nil)))
	stop := run(t, c.Run)
	if !assert.Eventually(t, func() bool { return strings.Contains(c.Ready().Error(), why) }, time.Minute, 10*time.Millisecond) {
		require.ErrorContains(t, c.Ready(), why)
	}
	require.Error(t, c.Publish(About("K-07", State, []byte("{}"), true)))
	stop()
	assert.Empty(t, log.String(), "who asks Ready says it, once")
}

// A connection to an outside broker that cannot be made reports why, and what to do:
// before, the report was only that it was not there.
func TestAFailedConnectionSaysWhy(t *testing.T) {
	dir := t.TempDir()
	_, err := auth.Certify(dir, []string{"127.0.0.1"}, time.Now())
	require.NoError(t, err)
	passwords := filepath.Join(dir, "passwords")
	out, err := exec.Command("mosquitto_passwd", "-b", "-c", passwords, "agent", "right").CombinedOutput()
	require.NoError(t, err, "%s", out)
	rules := filepath.Join(dir, "rules")
	require.NoError(t, os.WriteFile(rules, []byte("user agent\ntopic readwrite arcdrift/#\n"), 0o600))
	plain := startMosquitto(t, "user root", "allow_anonymous false", "password_file "+passwords)
	encrypted := startMosquitto(t, "user root", "certfile "+filepath.Join(dir, auth.ServerFile), "keyfile "+filepath.Join(dir, auth.ServerKeyFile))

	awaitWhy(t, Join{URL: "tcp://" + plain.addr, ID: "a", User: "agent", Password: "wrong"}, "mqtt-password-file")
	awaitWhy(t, Join{URL: "tcp://" + plain.addr, ID: "a"}, "mqtt-user")
	awaitWhy(t, Join{URL: "ssl://" + encrypted.addr, ID: "a"}, "give the authority's certificate with mqtt-ca")
	awaitWhy(t, Join{URL: "tcp://" + encrypted.addr, ID: "a"}, "perhaps only one side uses TLS")
	awaitWhy(t, Join{URL: "ssl://" + plain.addr, ID: "a"}, "perhaps only one side uses TLS")
	awaitWhy(t, Join{URL: "tcp://no-such-broker.invalid:1883", ID: "a"}, "its host name is not known")
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, free.Close())
	awaitWhy(t, Join{URL: "tcp://" + free.Addr().String(), ID: "a"}, "nothing listens on that address and port")

	known := x509.NewCertPool()
	raw, err := os.ReadFile(filepath.Join(dir, auth.AuthorityFile))
	require.NoError(t, err)
	require.True(t, known.AppendCertsFromPEM(raw))
	handler, _ := newHandler()
	for _, join := range []Join{
		{URL: "ssl://" + encrypted.addr, ID: "b", TLS: &tls.Config{RootCAs: known}},
		{URL: "tcp://" + plain.addr, ID: "b", User: "agent", Password: "right"},
	} {
		c := NewClient(join, handler, slog.New(slog.DiscardHandler))
		stop := run(t, c.Run)
		require.Eventually(t, func() bool { return c.Ready() == nil }, time.Minute, 10*time.Millisecond, "%s", join.URL)
		stop()
	}
}
