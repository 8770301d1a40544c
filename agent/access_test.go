package agent

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// selfSigned writes a certificate for this computer, and its key.
func selfSigned(t *testing.T) (cert, key string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "yard"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	require.NoError(t, err)
	raw, err := x509.MarshalPKCS8PrivateKey(private)
	require.NoError(t, err)
	dir := t.TempDir()
	write := func(name, kind string, der []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
		return path
	}
	return write("cert.pem", "CERTIFICATE", der), write("key.pem", "PRIVATE KEY", raw)
}

// settings is the configuration that a command line of serve makes.
func settings(t *testing.T, db string, args ...string) (Config, error) {
	t.Helper()
	var raw rawConfig
	flags := pflag.NewFlagSet("serve", pflag.ContinueOnError)
	raw.flags(flags)
	require.NoError(t, flags.Parse(args))
	return raw.valid(db)
}

// account makes an account and returns its secret.
func account(t *testing.T, db string, args ...string) string {
	t.Helper()
	r := cli(t, Env{}, append(args, "--db", db)...)
	require.Zero(t, r.code, r.say)
	return strings.TrimSpace(r.answer)
}

// A van forwards, with its credentials and over TLS, to a hub that others can
// reach; the hub takes only what the van may write.
func TestVanToHubOverTLS(t *testing.T) {
	cert, key := selfSigned(t)
	hub, van := tempDB(t), tempDB(t)
	secret := account(t, hub, "device", "add", "van-4", "--machines", "K-07", "--forwards")
	config, err := settings(t, hub, "--http-listen=0.0.0.0:0", "--mqtt-listen=0.0.0.0:0", "--tls-cert", cert, "--tls-key", key)
	require.NoError(t, err, "encryption and credentials open the doors")
	atHub, hubLog, _ := startServer(t, hub, func(c *Config) { *c = config })
	_, port, err := net.SplitHostPort(atHub.listener.Addr().String())
	require.NoError(t, err)

	file := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(file, []byte(secret+"\n"), 0o600))
	config, err = settings(t, van, "--http-listen=127.0.0.1:0", "--forward-to=https://127.0.0.1:"+port, "--forward-user=van-4", "--forward-password-file", file, "--forward-ca", cert)
	require.NoError(t, err)
	atVan, vanLog, _ := startServer(t, van, func(c *Config) { *c = config })
	status, _ := post(t, atVan, fmt.Sprintf(good, "a"))
	require.Equal(t, http.StatusCreated, status)
	require.Eventually(t, func() bool {
		_, found, err := atHub.store.Find("K-07", "a")
		return err == nil && found
	}, 30*time.Second, 10*time.Millisecond, "%s", vanLog)

	status, _ = post(t, atVan, strings.ReplaceAll(fmt.Sprintf(good, "b"), "K-07", "K-08"))
	require.Equal(t, http.StatusCreated, status)
	require.Eventually(t, func() bool { return strings.Contains(vanLog.String(), "is not one that van-4 may write for") }, 30*time.Second, 10*time.Millisecond)
	_, found, err := atHub.store.Find("K-08", "b")
	require.NoError(t, err)
	assert.False(t, found)
	account(t, hub, "device", "remove", "van-4")
	require.Eventually(t, func() bool { return strings.Contains(hubLog.String(), "a request was not let in") }, 60*time.Second, 10*time.Millisecond)
	for _, log := range []*lockedBuffer{hubLog, vanLog} {
		assert.NotContains(t, log.String(), secret)
	}
}

// Whoever is elsewhere is asked for a name at every door; a command on this
// computer is not.
func TestDoorsAskForNames(t *testing.T) {
	cert, key := selfSigned(t)
	db := tempDB(t)
	device := account(t, db, "device", "add", "van-4", "--machines", "K-07")
	person := account(t, db, "person", "add", "bench", "--role", "bench")
	config, err := settings(t, db, "--http-listen=0.0.0.0:0", "--mqtt-listen=0.0.0.0:0", "--tls-cert", cert, "--tls-key", key)
	require.NoError(t, err)
	s, log, _ := startServer(t, db, func(c *Config) { *c = config })

	// Through a proxy on this computer, so that it counts as elsewhere.
	ask := func(user, secret string) int {
		pool := x509.NewCertPool()
		pemBytes, err := os.ReadFile(cert)
		require.NoError(t, err)
		require.True(t, pool.AppendCertsFromPEM(pemBytes))
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}}
		_, port, err := net.SplitHostPort(s.listener.Addr().String())
		require.NoError(t, err)
		req, err := http.NewRequest("GET", "https://127.0.0.1:"+port+"/api/v1/machines", nil)
		require.NoError(t, err)
		req.Header.Set("X-Forwarded-For", "192.0.2.7")
		if user != "" {
			req.SetBasicAuth(user, secret)
		}
		resp, err := client.Do(req)
		require.NoError(t, err)
		_, err = io.Copy(io.Discard, resp.Body)
		require.NoError(t, err)
		require.NoError(t, resp.Body.Close())
		return resp.StatusCode
	}
	soon(t, "its records are read", func() bool { return ask("bench", person) != http.StatusServiceUnavailable })
	assert.Equal(t, http.StatusUnauthorized, ask("", ""))
	assert.Equal(t, http.StatusUnauthorized, ask("bench", "guess"))
	assert.Equal(t, http.StatusForbidden, ask("van-4", device))
	assert.Equal(t, http.StatusOK, ask("bench", person))
	r := cli(t, Env{}, "export", "--db", db)
	assert.Zero(t, r.code, "a command on this computer finds the agent: %s", r.say)
	assert.Contains(t, r.say, "asking it at https://127.0.0.1:")

	_, port, err := net.SplitHostPort(s.broker.Address())
	require.NoError(t, err)
	pub := func(topic string, more ...string) error {
		cmd := exec.Command("mosquitto_pub", append([]string{"-h", "127.0.0.1", "-p", port, "--cafile", cert, "-q", "1", "-t", topic, "-m", `{"arc_count":1,"id":"m"}`}, more...)...)
		var said bytes.Buffer
		cmd.Stderr = &said
		if err := cmd.Run(); err != nil {
			return fmt.Errorf("%w: %s", err, &said)
		}
		return nil
	}
	require.NoError(t, pub("arcdrift/v1/K-07/usage", "-i", "van-4", "-u", "van-4", "-P", device))
	require.Error(t, pub("arcdrift/v1/K-07/usage", "-i", "van-5", "-u", "van-4", "-P", device), "another's client id")
	require.Error(t, pub("arcdrift/v1/K-07/usage", "-i", "van-4", "-u", "van-4", "-P", "guess"))
	require.Error(t, pub("arcdrift/v1/K-07/usage", "-i", "van-4"), "not even here may anybody take a device's id")
	_, found, err := s.store.Find("K-07", "m")
	require.NoError(t, err)
	assert.True(t, found)
	assert.Contains(t, log.String(), "an MQTT client was not let in")
	for _, secret := range []string{device, person, "guess"} {
		assert.NotContains(t, log.String(), secret)
	}
}

// Commands that run at once lose no account, and take away all that they should.
func TestAccountsChangedAtOnce(t *testing.T) {
	const many = 20
	db := tempDB(t)
	all := func(words ...string) {
		t.Helper()
		var wait sync.WaitGroup
		said := make([]string, many)
		for i := range many {
			wait.Go(func() {
				out, err := exec.Command("arcdrift", append(slices.Clone(words), fmt.Sprintf("van-%d", i), "--db", db)...).CombinedOutput()
				if err != nil {
					said[i] = fmt.Sprintf("%v: %s", err, out)
				}
			})
		}
		wait.Wait()
		assert.Empty(t, strings.Join(said, ""))
	}
	kept := func() int { return strings.Count(cli(t, Env{}, "device", "list", "--db", db).answer, "van-") }
	all("device", "add", "--machines", "K-07")
	assert.Equal(t, many, kept())
	all("device", "remove")
	assert.Zero(t, kept())
}

// An address that others can reach takes both, encryption and credentials, or a
// flag whose name says what it does.
func TestOpenDoorsTakeBoth(t *testing.T) {
	cert, key := selfSigned(t)
	without, with := tempDB(t), tempDB(t)
	account(t, with, "device", "add", "van-4", "--machines", "*")
	for _, c := range []struct {
		db        string
		tls, open bool
		fails     bool
	}{
		{without, false, false, true}, {without, true, false, true}, {with, false, false, true},
		{with, true, false, false}, {without, false, true, false},
	} {
		for _, args := range [][]string{{"--http-listen=0.0.0.0:0"}, {"--mqtt-listen=[::]:0"}} {
			if c.tls {
				args = append(args, "--tls-cert", cert, "--tls-key", key)
			}
			if c.open {
				args = append(args, "--"+openFlag)
			}
			_, err := settings(t, c.db, args...)
			assert.Equal(t, c.fails, err != nil, "%+v: %v", c, err)
			if err != nil {
				assert.ErrorContains(t, err, openFlag)
			}
		}
	}
	require.NoError(t, os.Chmod(accessFile(with), 0o644))
	_, err := settings(t, with)
	require.ErrorContains(t, err, "chmod 600", "accounts that others can read are none")
}
