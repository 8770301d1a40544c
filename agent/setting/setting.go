// Package setting checks single settings of the agent. Its errors name the setting,
// say what it must be, and are the user's to mend.
package setting

import (
	"crypto/x509"
	"fmt"
	"net/netip"
	"net/url"
	"os"
	"strings"
)

// OpenFlag names the flag that opens a listener to a network: its name says
// what it does.
const OpenFlag = "open-to-network-without-protection"

// Error says that a setting is wrong and what it must be.
type Error struct{ error }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.error }

// Errorf makes an [Error]; the text begins with the setting's name.
func Errorf(format string, args ...any) error { return &Error{fmt.Errorf(format, args...)} }

// Loopback says whether a host is this computer alone: localhost or a loopback
// address.
func Loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}

// LoopbackAddress refuses an address that is not one of this computer alone.
func LoopbackAddress(setting, address string) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil || !at.Addr().IsLoopback() {
		return Errorf("%s is %q: profiles are served on this computer only, on an address like 127.0.0.1:6060", setting, address)
	}
	return nil
}

// WebAddress is an address of the web. It stays out of errors, as it may hold a
// secret.
func WebAddress(setting, address string) (*url.URL, error) {
	u, err := url.Parse(address)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, Errorf("%s must have an address like https://yard.example/path", setting)
	}
	return u, nil
}

// Authorities are the certificates in the PEM file that a setting names.
func Authorities(setting, file string) (*x509.CertPool, error) {
	raw, err := os.ReadFile(file)
	if err != nil {
		return nil, Errorf("%s cannot be read: %w", setting, err)
	}
	known := x509.NewCertPool()
	if !known.AppendCertsFromPEM(raw) {
		return nil, Errorf("%s is %s: there is no certificate in it", setting, file)
	}
	return known, nil
}

// Password reads the file that a setting names; "" if it names none.
func Password(setting, file string) (string, error) {
	if file == "" {
		return "", nil
	}
	raw, err := os.ReadFile(file)
	if err != nil {
		return "", Errorf("%s cannot be read: %w", setting, err)
	}
	return strings.TrimRight(string(raw), "\r\n"), nil
}
