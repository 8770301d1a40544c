package pack_test

import (
	"bytes"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/proof/pack"
)

// authority is a time-stamp server made of openssl ts, with a certificate of its own.
func authority(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	openssl := func(args ...string) {
		t.Helper()
		cmd := exec.Command("openssl", args...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "openssl %v: %s", args, out)
	}
	require.NoError(t, os.WriteFile(filepath.Join(dir, "tsa.cnf"), []byte(`
[req]
distinguished_name = dn
x509_extensions = ext
prompt = no
[dn]
CN = Invented time-stamp authority
[ext]
extendedKeyUsage = critical, timeStamping
[tsa]
default_tsa = own
[own]
serial = serial
crypto_device = builtin
signer_cert = cert.pem
signer_key = key.pem
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
`), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "serial"), []byte("01\n"), 0o600))
	openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "key.pem", "-out", "cert.pem", "-days", "2", "-config", "tsa.cnf")
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		query, _ := io.ReadAll(r.Body)
		if r.Header.Get("Content-Type") != "application/timestamp-query" || os.WriteFile(filepath.Join(dir, "query"), query, 0o600) != nil {
			w.WriteHeader(http.StatusBadRequest)
			return
		}
		cmd := exec.Command("openssl", "ts", "-reply", "-config", "tsa.cnf", "-section", "own", "-queryfile", "query", "-out", "reply")
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			http.Error(w, string(out), http.StatusInternalServerError)
			return
		}
		reply, _ := os.ReadFile(filepath.Join(dir, "reply"))
		_, _ = w.Write(reply)
	}))
	t.Cleanup(server.Close)
	return server.URL
}

func TestATimeStampIsAskedForAndChecked(t *testing.T) {
	t.Parallel()
	url := authority(t)
	key := ring(t)
	stamp := pack.StampBy(t.Context(), http.DefaultClient, url)
	seal := func(job string) []byte {
		raw, err := pack.Seal(pack.Manifest{Job: job, KnownAt: now, Heads: []pack.Head{}}, parts(), key, stamp)
		require.NoError(t, err)
		return raw
	}
	began := time.Now().Add(-time.Minute)
	raw := seal("J-114")
	assert.Empty(t, wrong(t, raw, ""))
	found, files, err := pack.Check(raw)
	require.NoError(t, err)
	require.NotNil(t, found.Stamp)
	assert.Equal(t, "CN=Invented time-stamp authority", found.Stamp.By)
	assert.True(t, found.Stamp.Time.After(began))

	other, _, err := pack.Check(seal("J-115"))
	require.NoError(t, err)
	require.Empty(t, other.Wrong)
	_, theirs, _ := pack.Check(seal("J-115"))
	swapped, err := pack.Seal(pack.Manifest{Job: "J-114", KnownAt: now, Heads: []pack.Head{}}, parts(), key, func([]byte) ([]byte, error) { return theirs[pack.StampName], nil })
	require.NoError(t, err)
	found, _, err = pack.Check(swapped)
	require.NoError(t, err)
	assert.Contains(t, found.Wrong[0], "the time stamp is for something else")

	token := files[pack.StampName]
	edited := bytes.Clone(token)
	edited[bytes.Index(token, []byte("20"))+3]++ // within the time of the token's content, or what it signs
	spoilt, err := pack.Seal(pack.Manifest{Job: "J-114", KnownAt: now, Heads: []pack.Head{}}, parts(), key, func([]byte) ([]byte, error) { return edited, nil })
	require.NoError(t, err)
	found, _, err = pack.Check(spoilt)
	require.NoError(t, err)
	require.Len(t, found.Wrong, 1)
	assert.Contains(t, found.Wrong[0], pack.StampName)
}

// A server that is not there, or answers something else, is named and ends it: the pack
// can be made without it.
func TestATimeStampServerThatFailsIsNamed(t *testing.T) {
	t.Parallel()
	broken := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "hello") }))
	gone := httptest.NewServer(nil)
	gone.Close()
	t.Cleanup(broken.Close)
	for _, url := range []string{broken.URL, gone.URL, "no address"} {
		_, err := pack.Seal(pack.Manifest{KnownAt: now}, parts(), ring(t), pack.StampBy(t.Context(), http.DefaultClient, url))
		require.ErrorContains(t, err, "gave no time stamp; make the pack without it")
		assert.ErrorContains(t, err, url)
	}
}
