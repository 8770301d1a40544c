package server_test

import (
	"arcdrift/agent/agenttest"
	"arcdrift/agent/auth"
	"arcdrift/agent/cli"
	"arcdrift/agent/server"
	"arcdrift/agent/setting"
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
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

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// settings is the configuration of an agent whose settings differ from the defaults.
func settings(db string, change func(*server.Settings)) (server.Config, error) {
	s := server.Defaults()
	change(&s)
	return s.Config(db)
}

// open are the settings of an agent that is open to the network.
func open(cert, key string) func(*server.Settings) {
	return func(s *server.Settings) {
		s.HTTPListen, s.MQTTListen, s.TLSCert, s.TLSKey = "0.0.0.0:0", "0.0.0.0:0", cert, key
	}
}

// A van forwards, with its credentials and over TLS, to a hub that others can
// reach; the hub takes only what the van may write.
func TestVanToHubOverTLS(t *testing.T) {
	cert, key := agenttest.SelfSigned(t)
	hub, van := agenttest.DB(t), agenttest.DB(t)
	secret := agenttest.Account(t, hub, "device", "add", "van-4", "--machines", "K-07", "--forwards")
	config, err := settings(hub, open(cert, key))
	require.NoError(t, err, "encryption and credentials open the listeners")
	atHub, hubLog, _ := agenttest.Start(t, hub, func(c *server.Config) { *c = config })
	_, port, err := net.SplitHostPort(strings.TrimPrefix(atHub.URL(), "https://"))
	require.NoError(t, err)

	file := filepath.Join(t.TempDir(), "secret")
	require.NoError(t, os.WriteFile(file, []byte(secret+"\n"), 0o600))
	config, err = settings(van, func(s *server.Settings) {
		s.HTTPListen, s.ForwardTo = "127.0.0.1:0", "https://127.0.0.1:"+port
		s.ForwardUser, s.ForwardPasswordFile, s.ForwardCA = "van-4", file, cert
	})
	require.NoError(t, err)
	atVan, vanLog, _ := agenttest.Start(t, van, func(c *server.Config) { *c = config })
	status, _ := agenttest.Post(t, atVan, fmt.Sprintf(agenttest.Good, "a"))
	require.Equal(t, http.StatusCreated, status)
	require.Eventually(t, func() bool {
		_, found, err := atHub.Store().Find("K-07", "a")
		return err == nil && found
	}, 30*time.Second, 10*time.Millisecond, "%s", vanLog)

	status, _ = agenttest.Post(t, atVan, strings.ReplaceAll(fmt.Sprintf(agenttest.Good, "b"), "K-07", "K-08"))
	require.Equal(t, http.StatusCreated, status)
	require.Eventually(t, func() bool { return strings.Contains(vanLog.String(), "is not one that van-4 may write for") }, 30*time.Second, 10*time.Millisecond)
	_, found, err := atHub.Store().Find("K-08", "b")
	require.NoError(t, err)
	assert.False(t, found)
	agenttest.Account(t, hub, "device", "remove", "van-4")
	require.Eventually(t, func() bool { return strings.Contains(hubLog.String(), "a request was not let in") }, 60*time.Second, 10*time.Millisecond)
	for _, log := range []*agenttest.Buffer{hubLog, vanLog} {
		assert.NotContains(t, log.String(), secret)
	}
}

// Whoever is elsewhere is asked for a name at every source; a command on this
// computer is not.
func TestEverySourceAsksForCredentials(t *testing.T) {
	cert, key := agenttest.SelfSigned(t)
	db := agenttest.DB(t)
	device := agenttest.Account(t, db, "device", "add", "van-4", "--machines", "K-07")
	person := agenttest.Account(t, db, "person", "add", "bench", "--role", "bench")
	config, err := settings(db, open(cert, key))
	require.NoError(t, err)
	s, log, _ := agenttest.Start(t, db, func(c *server.Config) { *c = config })

	// Through a proxy on this computer, so that it counts as elsewhere.
	ask := func(user, secret string) int {
		pool := x509.NewCertPool()
		pemBytes, err := os.ReadFile(cert)
		require.NoError(t, err)
		require.True(t, pool.AppendCertsFromPEM(pemBytes))
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, DisableKeepAlives: true}}
		_, port, err := net.SplitHostPort(strings.TrimPrefix(s.URL(), "https://"))
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
	agenttest.Soon(t, "its records are read", func() bool { return ask("bench", person) != http.StatusServiceUnavailable })
	assert.Equal(t, http.StatusUnauthorized, ask("", ""))
	assert.Equal(t, http.StatusUnauthorized, ask("bench", "guess"))
	assert.Equal(t, http.StatusForbidden, ask("van-4", device))
	assert.Equal(t, http.StatusOK, ask("bench", person))
	r := agenttest.Run(t, cli.Env{}, "export", "--db", db)
	assert.Zero(t, r.Code, "a command on this computer finds the agent: %s", r.Err)
	assert.Contains(t, r.Err, "asking it at https://127.0.0.1:")

	_, port, err := net.SplitHostPort(s.MQTTAddress())
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
	_, found, err := s.Store().Find("K-07", "m")
	require.NoError(t, err)
	assert.True(t, found)
	assert.Contains(t, log.String(), "an MQTT client was not admitted")
	for _, secret := range []string{device, person, "guess"} {
		assert.NotContains(t, log.String(), secret)
	}
}

// Commands that run at once lose no account, and take away all that they should.
func TestAccountsChangedAtOnce(t *testing.T) {
	const many = 20
	db := agenttest.DB(t)
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
	kept := func() int {
		return strings.Count(agenttest.Run(t, cli.Env{}, "device", "list", "--db", db).Out, "van-")
	}
	all("device", "add", "--machines", "K-07")
	assert.Equal(t, many, kept())
	all("device", "remove")
	assert.Zero(t, kept())
}

// An address that others can reach takes both, encryption and credentials, or a
// flag whose name says what it does.
func TestOpenListenersTakeBoth(t *testing.T) {
	cert, key := agenttest.SelfSigned(t)
	without, with := agenttest.DB(t), agenttest.DB(t)
	agenttest.Account(t, with, "device", "add", "van-4", "--machines", "*")
	for _, c := range []struct {
		db        string
		tls, open bool
		fails     bool
	}{
		{without, false, false, true}, {without, true, false, true}, {with, false, false, true},
		{with, true, false, false}, {without, false, true, false},
	} {
		for _, listen := range []func(*server.Settings){
			func(s *server.Settings) { s.HTTPListen = "0.0.0.0:0" },
			func(s *server.Settings) { s.MQTTListen = "[::]:0" },
		} {
			_, err := settings(c.db, func(s *server.Settings) {
				listen(s)
				if s.Open = c.open; c.tls {
					s.TLSCert, s.TLSKey = cert, key
				}
			})
			assert.Equal(t, c.fails, err != nil, "%+v: %v", c, err)
			if err != nil {
				assert.ErrorContains(t, err, setting.OpenFlag)
			}
		}
	}
	require.NoError(t, os.Chmod(auth.File(with), 0o644))
	_, err := settings(with, func(*server.Settings) {})
	require.ErrorContains(t, err, "chmod 600", "accounts that others can read are none")
}
