package mqtt

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"net"
	"syscall"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// reason is why a broker could not be joined, with what to do about it if that is known.
func reason(err error) string {
	var name *net.DNSError
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword):
		return "it says that the user or the password is wrong (settings mqtt-user, mqtt-password-file)"
	case errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return "it does not admit this user: the user or the password is wrong, or the user has no right to connect (settings mqtt-user, mqtt-password-file)"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return "it does not accept the client id (setting mqtt-client-id)"
	case errors.As(err, new(x509.UnknownAuthorityError)):
		return "this computer does not know the authority that issued its certificate: give the authority's certificate with mqtt-ca"
	case errors.As(err, new(x509.HostnameError)), errors.As(err, new(x509.CertificateInvalidError)):
		return "its certificate is not valid (" + err.Error() + ")"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "it refused the connection: nothing listens on that address and port"
	case errors.As(err, &name):
		return "its host name is not known (" + name.Error() + ")"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET), errors.As(err, new(tls.RecordHeaderError)):
		return "it ended the connection at once: perhaps only one side uses TLS (check tcp:// or ssl://, and the port)"
	}
	return err.Error()
}
