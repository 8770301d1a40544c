package notify_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/notify"
)

// freeAddress is a loopback address that was free a moment ago.
func freeAddress(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// startServer runs a real server from its Debian package until the test ends.
func startServer(t *testing.T, address, program string, args ...string) {
	server := exec.Command(program, args...)
	server.Stdout, server.Stderr = t.Output(), t.Output()
	require.NoError(t, server.Start(), "is the Debian package of %s installed?", program)
	t.Cleanup(func() {
		assert.NoError(t, server.Process.Signal(syscall.SIGTERM))
		_ = server.Wait() // ends by the signal: its exit code says nothing
	})
	eventually(t, program+" listens", func() bool {
		c, err := net.Dial("tcp", address)
		if err != nil {
			return false
		}
		return c.Close() == nil
	})
}

// eventually waits for a real server to get somewhere. The bound only ends a
// hanging test; it is no measure of speed.
func eventually(t *testing.T, what string, done func() bool) {
	for deadline := time.Now().Add(time.Minute); !done(); time.Sleep(20 * time.Millisecond) {
		require.True(t, time.Now().Before(deadline), "never happened: %s", what)
	}
}

// A real SMTP server (Debian package python3-aiosmtpd) puts the mail into a
// mailbox on disk.
func TestRealMailServer(t *testing.T) {
	address := freeAddress(t)
	box := filepath.Join(t.TempDir(), "box")
	startServer(t, address, "aiosmtpd", "--nosetuid", "--listen", address, "--class", "aiosmtpd.handlers.Mailbox", box)
	host, port, err := net.SplitHostPort(address)
	require.NoError(t, err)
	number, err := strconv.Atoi(port)
	require.NoError(t, err)
	channel := &notify.Mail{Host: host, Port: number, From: "arcdrift@depot.example", To: []string{"bench@depot.example", "lead@depot.example"}, Unencrypted: true}

	require.NoError(t, channel.Send(t.Context(), stopAlert()))
	cleared := stopAlert()
	cleared.Key, cleared.Kind, cleared.Title = cleared.Case+"/cleared", alert.Cleared, "Cleared: K-07"
	require.NoError(t, channel.Send(t.Context(), cleared))

	paths, err := filepath.Glob(filepath.Join(box, "new", "*"))
	require.NoError(t, err)
	require.Len(t, paths, 2)
	bySubject := map[string]*mail.Message{}
	for _, path := range paths {
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		m, err := mail.ReadMessage(strings.NewReader(string(text)))
		require.NoError(t, err)
		subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
		require.NoError(t, err)
		bySubject[subject] = m
	}
	first := bySubject[stopAlert().Title]
	require.NotNil(t, first, "the subject arrives with its letters")
	to, err := first.Header.AddressList("To")
	require.NoError(t, err)
	assert.Len(t, to, 2)
	date, err := first.Header.Date()
	require.NoError(t, err)
	assert.True(t, stopAlert().At.Equal(date))
	assert.Equal(t, "auto-generated", first.Header.Get("Auto-Submitted"))
	body, err := io.ReadAll(decoded(first))
	require.NoError(t, err)
	assert.Equal(t, stopAlert().Body, strings.TrimSpace(strings.ReplaceAll(string(body), "\r\n", "\n")))
	second := bySubject["Cleared: K-07"]
	require.NotNil(t, second)
	assert.NotEqual(t, first.Header.Get("Message-ID"), second.Header.Get("Message-ID"))
	assert.Equal(t, first.Header.Get("References"), second.Header.Get("References"), "one case, one thread")
	assert.NotEmpty(t, first.Header.Get("References"))
}

// A server that offers no TLS gets nothing unless that was allowed.
func TestMailIsEncryptedUnlessAllowed(t *testing.T) {
	address := freeAddress(t)
	box := filepath.Join(t.TempDir(), "box")
	startServer(t, address, "aiosmtpd", "--nosetuid", "--listen", address, "--class", "aiosmtpd.handlers.Mailbox", box)
	host, port, err := net.SplitHostPort(address)
	require.NoError(t, err)
	number, err := strconv.Atoi(port)
	require.NoError(t, err)
	channel := &notify.Mail{Host: host, Port: number, From: "arcdrift@depot.example", To: []string{"bench@depot.example"}}
	require.ErrorContains(t, channel.Send(t.Context(), stopAlert()), "STARTTLS")
	paths, err := filepath.Glob(filepath.Join(box, "new", "*"))
	require.NoError(t, err)
	assert.Empty(t, paths)
}

func TestMailFaults(t *testing.T) {
	var refusal *notify.Refusal
	down := &notify.Mail{Host: "127.0.0.1", Port: 1, From: "a@depot.example", To: []string{"b@depot.example"}, Unencrypted: true}
	err := down.Send(t.Context(), stopAlert())
	require.Error(t, err)
	assert.False(t, errors.As(err, &refusal), "a server that is down may come back")
	down.From = "nobody"
	err = down.Send(t.Context(), stopAlert())
	assert.True(t, errors.As(err, &refusal), "an address that is none will not become one")
}

// A real mosquitto carries the message. It is asked to retain it, so that the
// subscriber may come after the publisher.
func TestRealBroker(t *testing.T) {
	address := freeAddress(t)
	_, port, err := net.SplitHostPort(address)
	require.NoError(t, err)
	startServer(t, address, "mosquitto", "-p", port)
	channel := notify.MQTT{Publish: func(ctx context.Context, machine string, payload []byte) error {
		publisher := exec.CommandContext(ctx, "mosquitto_pub", "-p", port, "-t", "arcdrift/v1/"+machine+"/alert", "-q", "1", "-r", "-s")
		publisher.Stdin = strings.NewReader(string(payload))
		return publisher.Run()
	}}
	received := func(machine string) alert.Action {
		text, err := exec.Command("mosquitto_sub", "-p", port, "-t", "arcdrift/v1/"+machine+"/alert", "-q", "1", "-C", "1", "-W", "60").Output()
		require.NoError(t, err)
		var a alert.Action
		require.NoError(t, json.Unmarshal(text, &a))
		return a
	}
	require.NoError(t, channel.Send(t.Context(), stopAlert()))
	assert.Equal(t, stopAlert(), received("K-07"))

	for _, of := range []alert.Action{{Key: "list/2026-03-02", Kind: alert.List}, {Key: "d", Rule: alert.SourceSilent, Subject: "mqtt"}} {
		require.NoError(t, channel.Send(t.Context(), of))
		assert.Equal(t, of.Key, received(notify.Agent).Key, "no machine's topic")
	}
}

// A real Alertmanager (Debian package prometheus-alertmanager) holds the alert
// until the note that clears it.
func TestRealAlertmanager(t *testing.T) {
	address := freeAddress(t)
	dir := t.TempDir()
	config := filepath.Join(dir, "alertmanager.yml")
	require.NoError(t, os.WriteFile(config, []byte("route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"), 0o600))
	startServer(t, address, "prometheus-alertmanager", "--config.file="+config, "--storage.path="+filepath.Join(dir, "data"),
		"--web.listen-address="+address, "--cluster.listen-address=")
	client := notify.Client()
	defer client.CloseIdleConnections()
	channel := &notify.Alertmanager{URL: "http://" + address, Page: "https://yard.example", Client: client, Now: time.Now}
	firing := func() map[string]map[string]string {
		answer, err := client.Get("http://" + address + "/api/v2/alerts?active=true")
		require.NoError(t, err)
		defer answer.Body.Close()
		require.Equal(t, http.StatusOK, answer.StatusCode)
		var alerts []struct{ Labels, Annotations map[string]string }
		require.NoError(t, json.NewDecoder(answer.Body).Decode(&alerts))
		out := map[string]map[string]string{}
		for _, a := range alerts {
			require.Equal(t, "ArcdriftMachineMustStop", a.Labels["alertname"], "as the rule for Prometheus")
			require.Equal(t, "stop", a.Labels["class"])
			require.Equal(t, "North", a.Labels["depot"], "what an Alertmanager can group by")
			out[a.Labels["machine"]] = a.Annotations
		}
		return out
	}

	raised := stopAlert()
	raised.Depot = "North"
	raised.Opened = time.Now().Add(-time.Minute)
	raised.At = raised.Opened
	for range 2 { // a repeat changes nothing
		require.NoError(t, channel.Send(t.Context(), raised))
		eventually(t, "the alert is active", func() bool { return len(firing()) == 1 })
		assert.Equal(t, raised.Title, firing()["K-07"]["summary"])
		assert.Equal(t, raised.Body, firing()["K-07"]["description"])
		assert.Equal(t, "https://yard.example/machines/K-07", firing()["K-07"]["page"])
	}
	ends := func() (at time.Time) {
		answer, err := client.Get("http://" + address + "/api/v2/alerts?active=true")
		require.NoError(t, err)
		defer answer.Body.Close()
		var alerts []struct{ EndsAt time.Time }
		require.NoError(t, json.NewDecoder(answer.Body).Decode(&alerts))
		require.Len(t, alerts, 1, "a repeat is the same alert")
		return alerts[0].EndsAt
	}
	before := ends()
	require.NoError(t, channel.Stand(t.Context(), []alert.Shown{{
		Case:     alert.Case{Subject: raised.Subject, Rule: raised.Rule, Depot: raised.Depot, Opened: raised.Opened},
		Severity: raised.Severity, Message: raised.Message,
	}}))
	eventually(t, "it stays active for longer", func() bool { return ends().After(before) })
	require.NoError(t, channel.Send(t.Context(), alert.Action{Kind: alert.List}), "a list has no place there")
	cleared := raised
	cleared.Kind, cleared.At = alert.Cleared, time.Now()
	require.NoError(t, channel.Send(t.Context(), cleared))
	eventually(t, "the alert is over", func() bool { return len(firing()) == 0 })

	var refusal *notify.Refusal
	impossible := raised
	impossible.Opened = raised.At.Add(60 * 24 * time.Hour) // starts after its end
	err := channel.Send(t.Context(), impossible)
	assert.True(t, errors.As(err, &refusal), "%v", err)
}

// decoded reads the body in the transfer encoding its header names.
func decoded(m *mail.Message) io.Reader {
	switch strings.ToLower(m.Header.Get("Content-Transfer-Encoding")) {
	case "quoted-printable":
		return quotedprintable.NewReader(m.Body)
	default:
		return m.Body
	}
}
