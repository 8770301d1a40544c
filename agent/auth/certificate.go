package auth

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"
)

// The files of a private certificate authority. All are readable by their owner only.
// AuthorityFile is the one to install on phones.
const (
	AuthorityFile    = "authority.pem"
	AuthorityKeyFile = "authority.key"
	ServerFile       = "server.pem"
	ServerKeyFile    = "server.key"
)

// An authority is valid for as long as phones and vans last, a server's certificate for
// a year: some phones refuse one that is valid for more than 825 days.
const (
	authorityYears = 10
	serverYears    = 1
	// clocksBehind is how far a phone's clock may be behind.
	clocksBehind = 24 * time.Hour
)

// Certified is the result of Certify.
type Certified struct {
	// New says that the authority was made too, and has to be installed on phones.
	New bool
	// Fingerprint is the SHA-256 of the authority's certificate, as phones show it.
	Fingerprint         string
	AuthorityEnds, Ends time.Time
}

// Certify makes a certificate for a server with these names and addresses, and in an
// empty dir first the authority that signs it. The authority is valid for them only;
// for others it returns an error.
func Certify(dir string, hosts []string, now time.Time) (Certified, error) {
	names, addresses, err := split(hosts)
	if err != nil {
		return Certified{}, err
	}
	authority, key, err := readAuthority(dir)
	made := errors.Is(err, fs.ErrNotExist)
	if made {
		authority, key, err = makeAuthority(dir, names, addresses, now)
	}
	if err != nil {
		return Certified{}, err
	}
	server := &x509.Certificate{
		Subject: pkix.Name{CommonName: hosts[0]}, DNSNames: names, IPAddresses: addresses,
		NotBefore: now.Add(-clocksBehind), NotAfter: now.AddDate(serverYears, 0, 0),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}
	if server.NotAfter.After(authority.NotAfter) {
		server.NotAfter = authority.NotAfter
	}
	serverKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Certified{}, err
	}
	der, err := sign(server, authority, serverKey, key)
	if err != nil {
		return Certified{}, err
	}
	if err := good(der, authority, hosts, now); err != nil {
		return Certified{}, fmt.Errorf("the authority in %s is not valid for %s: make another in an empty directory, and install that on the phones: %w", dir, strings.Join(hosts, ", "), err)
	}
	out := Certified{New: made, Fingerprint: Fingerprint(authority.Raw), AuthorityEnds: authority.NotAfter, Ends: server.NotAfter}
	return out, write(dir, ServerFile, ServerKeyFile, der, serverKey)
}

// Fingerprint is the SHA-256 of a certificate in DER, as phones show it.
func Fingerprint(der []byte) string {
	sum := sha256.Sum256(der)
	return fmt.Sprintf("% X", sum[:])
}

var hostName = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*$`)

// CheckHosts says what is wrong with names and addresses for a certificate.
func CheckHosts(hosts []string) error {
	_, _, err := split(hosts)
	return err
}

// split separates names from addresses.
func split(hosts []string) (names []string, addresses []net.IP, err error) {
	if len(hosts) == 0 {
		return nil, nil, errors.New("a certificate needs the server's name or address")
	}
	for _, h := range hosts {
		switch ip := net.ParseIP(h); {
		case ip != nil:
			addresses = append(addresses, ip)
		case hostName.MatchString(h) && len(h) <= 253:
			names = append(names, h)
		default:
			return nil, nil, fmt.Errorf("%q is neither a name in small letters, like van-4.example, nor an address", h)
		}
	}
	return names, addresses, nil
}

// makeAuthority makes an authority that can sign for these names and addresses only:
// name constraints exclude all others (RFC 5280, section 4.2.1.10).
func makeAuthority(dir string, names []string, addresses []net.IP, now time.Time) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	c := &x509.Certificate{
		Subject:   pkix.Name{CommonName: "arcdrift authority " + now.UTC().Format("2006-01-02"), Organization: []string{"made by the keeper of the agent"}},
		NotBefore: now.Add(-clocksBehind), NotAfter: now.AddDate(authorityYears, 0, 0),
		KeyUsage: x509.KeyUsageCertSign, BasicConstraintsValid: true, IsCA: true, MaxPathLenZero: true,
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: names,
	}
	if len(names) == 0 {
		c.PermittedDNSDomains = []string{"invalid"} // a name that never exists: RFC 6761, section 6.4
	}
	for _, ip := range addresses {
		bits := 8 * net.IPv6len
		if v4 := ip.To4(); v4 != nil {
			ip, bits = v4, 8*net.IPv4len
		}
		c.PermittedIPRanges = append(c.PermittedIPRanges, &net.IPNet{IP: ip, Mask: net.CIDRMask(bits, bits)})
	}
	if len(addresses) == 0 {
		c.ExcludedIPRanges = []*net.IPNet{{IP: net.IPv4zero.To4(), Mask: net.CIDRMask(0, 32)}, {IP: net.IPv6zero, Mask: net.CIDRMask(0, 128)}}
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	der, err := sign(c, c, key, key)
	if err != nil {
		return nil, nil, err
	}
	if err := write(dir, AuthorityFile, AuthorityKeyFile, der, key); err != nil {
		return nil, nil, err
	}
	c, err = x509.ParseCertificate(der)
	return c, key, err
}

func sign(c, by *x509.Certificate, key, byKey *ecdsa.PrivateKey) ([]byte, error) {
	der, err := x509.CreateCertificate(rand.Reader, c, by, &key.PublicKey, byKey)
	if err != nil {
		return nil, fmt.Errorf("the certificate cannot be signed: %w", err)
	}
	return der, nil
}

// good checks a new certificate as a phone does.
func good(der []byte, authority *x509.Certificate, hosts []string, now time.Time) error {
	c, err := x509.ParseCertificate(der)
	if err != nil {
		return err
	}
	roots := x509.NewCertPool()
	roots.AddCert(authority)
	for _, host := range hosts {
		if _, err := c.Verify(x509.VerifyOptions{DNSName: host, Roots: roots, CurrentTime: now}); err != nil {
			return err
		}
	}
	return nil
}

// readAuthority reads an existing authority; the error is fs.ErrNotExist if there is
// none.
func readAuthority(dir string) (*x509.Certificate, *ecdsa.PrivateKey, error) {
	keyDER, err := readPEM(filepath.Join(dir, AuthorityKeyFile))
	if err != nil {
		return nil, nil, err
	}
	parsed, err := x509.ParsePKCS8PrivateKey(keyDER)
	key, ok := parsed.(*ecdsa.PrivateKey)
	if err != nil || !ok {
		return nil, nil, errors.Join(fmt.Errorf("%s is not a key that arcdrift has made", filepath.Join(dir, AuthorityKeyFile)), err)
	}
	der, err := readPEM(filepath.Join(dir, AuthorityFile))
	if err != nil {
		return nil, nil, fmt.Errorf("the authority's certificate is missing beside its key: %w", unwrapped{err})
	}
	c, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, nil, fmt.Errorf("the authority's certificate cannot be read: %w", err)
	}
	return c, key, nil
}

// unwrapped hides the kind of an error: an authority without one of its files is not a
// missing authority.
type unwrapped struct{ error }

func readPEM(path string) ([]byte, error) {
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	block, _ := pem.Decode(raw)
	if block == nil {
		return nil, fmt.Errorf("%s is not a PEM file", path)
	}
	return block.Bytes, nil
}

// write writes a certificate and its key into dir, each whole or not at all.
func write(dir, file, keyFile string, der []byte, key *ecdsa.PrivateKey) error {
	keyDER, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	for _, part := range []struct {
		name  string
		block pem.Block
	}{{keyFile, pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}}, {file, pem.Block{Type: "CERTIFICATE", Bytes: der}}} {
		path := filepath.Join(dir, part.name)
		if err := replaceFile(path, pem.EncodeToMemory(&part.block)); err != nil {
			return fmt.Errorf("%s cannot be written: %w", path, err)
		}
	}
	return nil
}
