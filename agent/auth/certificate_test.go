package auth

import (
	"crypto/tls"
	"crypto/x509"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var made = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// asked is what a phone that trusts the authority in dir says to the server in
// it under a name.
func asked(t *testing.T, dir, name string, at time.Time) error {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, ServerFile), filepath.Join(dir, ServerKeyFile))
	require.NoError(t, err)
	authority, err := os.ReadFile(filepath.Join(dir, AuthorityFile))
	require.NoError(t, err)
	roots := x509.NewCertPool()
	require.True(t, roots.AppendCertsFromPEM(authority))
	listener, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}})
	require.NoError(t, err)
	defer listener.Close()
	go func() {
		if c, err := listener.Accept(); err == nil {
			_ = c.(*tls.Conn).Handshake() // what the phone says of it is asked
			_ = c.Close()
		}
	}()
	near, err := net.Dial("tcp", listener.Addr().String())
	require.NoError(t, err)
	defer near.Close()
	phone := tls.Client(near, &tls.Config{RootCAs: roots, ServerName: name, Time: func() time.Time { return at }})
	return phone.Handshake()
}

func TestCertifyIsTrustedUnderItsNames(t *testing.T) {
	for name, hosts := range map[string][]string{"a name": {"van-4.example"}, "an address": {"192.168.7.4"}, "both": {"van-4", "192.168.7.4", "fd00::7"}} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			c, err := Certify(dir, hosts, made)
			require.NoError(t, err)
			assert.True(t, c.New)
			assert.Equal(t, made.AddDate(1, 0, 0), c.Ends)
			assert.Regexp(t, `^([0-9A-F]{2} ){31}[0-9A-F]{2}$`, c.Fingerprint)
			for _, host := range hosts {
				require.NoError(t, asked(t, dir, host, made), host)
				require.NoError(t, asked(t, dir, host, made.Add(-23*time.Hour)), "a clock that is behind")
				require.Error(t, asked(t, dir, host, c.Ends.Add(time.Second)), "after its end")
			}
			require.Error(t, asked(t, dir, "other.example", made))
			require.Error(t, asked(t, dir, "10.0.0.1", made))
			for _, file := range []string{AuthorityFile, AuthorityKeyFile, ServerFile, ServerKeyFile} {
				info, err := os.Stat(filepath.Join(dir, file))
				require.NoError(t, err)
				assert.Equal(t, os.FileMode(0o600), info.Mode().Perm(), file)
			}
			left, err := os.ReadDir(dir)
			require.NoError(t, err)
			assert.Len(t, left, 4)
		})
	}
}

func TestCertifyAgainKeepsTheAuthority(t *testing.T) {
	dir := t.TempDir()
	first, err := Certify(dir, []string{"van-4.example", "192.168.7.4"}, made)
	require.NoError(t, err)
	later := made.AddDate(0, 11, 0)
	second, err := Certify(dir, []string{"van-4.example"}, later)
	require.NoError(t, err)
	assert.False(t, second.New, "phones need not change anything")
	assert.Equal(t, first.Fingerprint, second.Fingerprint)
	assert.Equal(t, later.AddDate(1, 0, 0), second.Ends)
	require.NoError(t, asked(t, dir, "van-4.example", later))

	// No certificate outlives its authority.
	last, err := Certify(dir, []string{"van-4.example"}, first.AuthorityEnds.AddDate(0, -1, 0))
	require.NoError(t, err)
	assert.Equal(t, first.AuthorityEnds, last.Ends)
	_, err = Certify(dir, []string{"van-4.example"}, first.AuthorityEnds.AddDate(0, 1, 0))
	require.ErrorContains(t, err, "make another in an empty directory")
}

// Who gets hold of the authority's key can make nothing for other names: its own
// tool refuses, and so does a phone.
func TestAuthorityIsValidForItsNamesOnly(t *testing.T) {
	for name, hosts := range map[string][]string{"a name": {"van-4.example"}, "an address": {"192.168.7.4"}} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			_, err := Certify(dir, hosts, made)
			require.NoError(t, err)
			for _, other := range []string{"bank.example", "192.168.7.5", "fd00::7"} {
				_, err = Certify(dir, []string{other}, made)
				require.ErrorContains(t, err, "is not valid for "+other)
				require.NoError(t, asked(t, dir, hosts[0], made), "what was there stays")
			}
		})
	}
}

func TestCertifyRefuses(t *testing.T) {
	for name, hosts := range map[string][]string{"nothing": nil, "a link": {"https://van-4"}, "capitals": {"Van-4"}, "a star": {"*.example"}, "a port": {"van-4:8470"}} {
		_, err := Certify(t.TempDir(), hosts, made)
		require.Error(t, err, name)
	}
	dir := t.TempDir()
	_, err := Certify(dir, []string{"van-4"}, made)
	require.NoError(t, err)
	require.NoError(t, os.Remove(filepath.Join(dir, AuthorityFile)))
	_, err = Certify(dir, []string{"van-4"}, made)
	require.ErrorContains(t, err, "missing beside its key", "half an authority is not replaced in silence")
	require.NoError(t, os.WriteFile(filepath.Join(dir, AuthorityKeyFile), []byte("x"), 0o600))
	_, err = Certify(dir, []string{"van-4"}, made)
	require.ErrorContains(t, err, "not a PEM file")
}
