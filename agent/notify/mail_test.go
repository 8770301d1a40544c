package notify

import (
	"bytes"
	"crypto/x509"
	"errors"
	"net"
	"net/mail"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/agent/auth"
)

// lines is what a process says.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// protectedServer runs a real SMTP server (Debian package python3-aiosmtpd) that
// requires TLS and a login in this way and answers letters so.
func protectedServer(t *testing.T, way, answer string, start ...string) (channel *Mail, seen *lines) {
	t.Helper()
	dir := t.TempDir()
	_, err := auth.Certify(dir, []string{"127.0.0.1"}, time.Now())
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	port := l.Addr().(*net.TCPAddr).Port
	require.NoError(t, l.Close())
	seen = &lines{}
	server := exec.Command("/usr/bin/python3", append([]string{filepath.Join("testdata", "mailserver.py"), "127.0.0.1", strconv.Itoa(port),
		filepath.Join(dir, auth.ServerFile), filepath.Join(dir, auth.ServerKeyFile), way, answer}, start...)...)
	server.Stdout, server.Stderr = seen, t.Output()
	require.NoError(t, server.Start())
	t.Cleanup(func() {
		assert.NoError(t, server.Process.Kill())
		_ = server.Wait() // it was killed, and says so
	})
	require.Eventually(t, func() bool {
		c, err := net.Dial("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(port)))
		return err == nil && c.Close() == nil
	}, time.Minute, 20*time.Millisecond)
	roots := x509.NewCertPool()
	authority, err := os.ReadFile(filepath.Join(dir, auth.AuthorityFile))
	require.NoError(t, err)
	require.True(t, roots.AppendCertsFromPEM(authority))
	return &Mail{
		Host: "127.0.0.1", Port: port, From: "arcdrift@depot.example", To: []string{"bench@depot.example", "lead@depot.example"},
		User: "arcdrift", Password: "snow on the line", roots: roots,
	}, seen
}

func TestMailLogsInBehindTLS(t *testing.T) {
	for _, way := range []string{"PLAIN", "LOGIN"} {
		channel, seen := protectedServer(t, way, "250 taken")
		require.NoError(t, channel.Send(t.Context(), alert.Action{Key: "a", Message: alert.Message{Title: "Stop K-07"}}), way)
		// The server answers before what it wrote is read here.
		want := "login " + way + " arcdrift\nletter bench@depot.example\n"
		require.Eventually(t, func() bool { return len(seen.String()) >= len(want) }, time.Minute, 20*time.Millisecond)
		assert.Equal(t, want, seen.String())

		channel.Password = "sun on the line"
		err := channel.Send(t.Context(), alert.Action{Key: "b"})
		require.ErrorContains(t, err, "535", way)
		assert.NotErrorAs(t, err, new(*Refusal), "another password may be set")
		assert.NotContains(t, err.Error(), channel.Password)
	}
}

// A server that encrypts from the start, as on port 465.
func TestMailIsEncryptedFromTheStart(t *testing.T) {
	channel, seen := protectedServer(t, "PLAIN", "250 taken", "TLS")
	channel.TLS = true
	require.NoError(t, channel.Send(t.Context(), alert.Action{Key: "a", Message: alert.Message{Title: "Stop K-07"}}))
	require.Eventually(t, func() bool { return strings.Contains(seen.String(), "letter bench@depot.example") }, time.Minute, 20*time.Millisecond)
}

// A mailbox that takes nothing says which it is; the other one of the channel gets its
// letters. Before, neither did.
func TestOneBadMailboxStopsNoOther(t *testing.T) {
	first, seen := protectedServer(t, "PLAIN", "250 taken")
	first.To = []string{"full@depot.example", "lead@depot.example"}
	second := *first
	second.Mailbox = 1
	for range 2 {
		require.ErrorContains(t, first.Send(t.Context(), alert.Action{Key: "a"}), "for full@depot.example: 452")
		require.NoError(t, second.Send(t.Context(), alert.Action{Key: "a"}))
	}
	require.Eventually(t, func() bool { return strings.Count(seen.String(), "letter lead@depot.example") == 2 }, time.Minute, 20*time.Millisecond)
}

// The login is sent to no server without a valid certificate.
func TestMailServerOfUnknownName(t *testing.T) {
	channel, seen := protectedServer(t, "PLAIN", "250 taken")
	roots := channel.roots
	channel.roots = nil
	require.ErrorContains(t, channel.Send(t.Context(), alert.Action{Key: "a"}), "certificate")
	// That it was not sent is seen by the next login, which is its first.
	channel.roots = roots
	require.NoError(t, channel.Send(t.Context(), alert.Action{Key: "b"}))
	require.Eventually(t, func() bool { return strings.Contains(seen.String(), "letter") }, time.Minute, 20*time.Millisecond)
	assert.Equal(t, 1, strings.Count(seen.String(), "login"))
	channel.Unencrypted, channel.User = true, ""
	assert.ErrorContains(t, channel.Send(t.Context(), alert.Action{Key: "c"}), "530", "on this computer nothing is encrypted, and this server insists on it")
}

// What a server refuses for good is not offered again; what it has no room for
// now is.
func TestMailRefused(t *testing.T) {
	for answer, forGood := range map[string]bool{"554 not this one": true, "552 too large": true, "452 no room now": false} {
		channel, seen := protectedServer(t, "PLAIN", answer)
		err := channel.Send(t.Context(), alert.Action{Key: "a"})
		require.ErrorContains(t, err, answer[:3])
		var refusal *Refusal
		assert.Equal(t, forGood, errors.As(err, &refusal), answer)
		require.Eventually(t, func() bool { return strings.Contains(seen.String(), "letter") }, time.Minute, 20*time.Millisecond)
	}
}

// A title is one line of the header, whatever it says, and lines of the body may
// be long, begin with a full stop and hold any letter.
func TestLetter(t *testing.T) {
	a := alert.Action{Key: "a", Message: alert.Message{Title: "Stop\r\nBcc: all@depot.example — Ørn", Body: "8 °C\n.\n" + strings.Repeat("long ", 300)}}
	text := string(letter(a, &mail.Address{Address: "arcdrift@depot.example"}, nil))
	head, _, _ := strings.Cut(text, "\r\n\r\n")
	for _, line := range strings.Split(text, "\r\n") {
		assert.LessOrEqual(t, len(line), 78, "RFC 5322, 2.1.1")
	}
	assert.NotContains(t, head, "\nBcc")
}
