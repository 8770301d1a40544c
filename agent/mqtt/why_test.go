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

// awaitWhy runs a client that cannot join, until it says why.
func awaitWhy(t *testing.T, join Join, why string) {
	t.Helper()
	desk, _ := newDesk()
	var log bytes.Buffer
	c := NewClient(join, desk, slog.New(slog.NewTextHandler(&log, nil)))
	stop := run(t, c.Run)
	if !assert.Eventually(t, func() bool { return strings.Contains(c.Ready().Error(), why) }, time.Minute, 10*time.Millisecond) {
		require.ErrorContains(t, c.Ready(), why)
	}
	require.Error(t, c.Publish(About("K-07", State, []byte("{}"), true)))
	stop()
	assert.Empty(t, log.String(), "who asks Ready says it, once")
}

// A connection to an outside broker that cannot be made says why, in the words of
// who has to mend it: before, it said no more than that it was not there.
func TestABrokenConnectionSaysWhy(t *testing.T) {
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
	awaitWhy(t, Join{URL: "ssl://" + encrypted.addr, ID: "a"}, "name that authority's certificate with mqtt-ca")
	awaitWhy(t, Join{URL: "tcp://" + encrypted.addr, ID: "a"}, "perhaps one end wants TLS")
	awaitWhy(t, Join{URL: "ssl://" + plain.addr, ID: "a"}, "perhaps one end wants TLS")
	awaitWhy(t, Join{URL: "tcp://no-such-broker.invalid:1883", ID: "a"}, "its name is not known")
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, free.Close())
	awaitWhy(t, Join{URL: "tcp://" + free.Addr().String(), ID: "a"}, "nothing listens at that address and port")

	known := x509.NewCertPool()
	raw, err := os.ReadFile(filepath.Join(dir, auth.AuthorityFile))
	require.NoError(t, err)
	require.True(t, known.AppendCertsFromPEM(raw))
	desk, _ := newDesk()
	for _, join := range []Join{
		{URL: "ssl://" + encrypted.addr, ID: "b", TLS: &tls.Config{RootCAs: known}},
		{URL: "tcp://" + plain.addr, ID: "b", User: "agent", Password: "right"},
	} {
		c := NewClient(join, desk, slog.New(slog.DiscardHandler))
		stop := run(t, c.Run)
		require.Eventually(t, func() bool { return c.Ready() == nil }, time.Minute, 10*time.Millisecond, "%s", join.URL)
		stop()
	}
}
