package agenttest

import (
	"arcdrift/agent/cli"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// SelfSigned writes a certificate for this computer, and its key.
func SelfSigned(t *testing.T) (cert, key string) {
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

// Account makes an account and returns its secret.
func Account(t *testing.T, db string, args ...string) string {
	t.Helper()
	r := Run(t, cli.Env{}, append(args, "--db", db)...)
	require.Zero(t, r.Code, r.Err)
	return strings.TrimSpace(r.Out)
}

// ServedCertificate is the one that a listener shows now.
func ServedCertificate(t *testing.T, address string, roots *x509.CertPool) *x509.Certificate {
	t.Helper()
	conn, err := tls.Dial("tcp", address, &tls.Config{RootCAs: roots})
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close()) }()
	return conn.ConnectionState().PeerCertificates[0]
}
