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

// whyNot is why a broker could not be joined, with what to do about it where that is
// known.
func whyNot(err error) string {
	var name *net.DNSError
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword):
		return "it says that the user or the password is wrong (mqtt-user, mqtt-password-file)"
	case errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return "it does not let this user in: the user or the password is wrong, or the user may not connect (mqtt-user, mqtt-password-file)"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return "it does not take the client id (mqtt-client-id)"
	case errors.As(err, new(x509.UnknownAuthorityError)):
		return "its certificate is by an authority that this computer does not know: name that authority's certificate with mqtt-ca"
	case errors.As(err, new(x509.HostnameError)), errors.As(err, new(x509.CertificateInvalidError)):
		return "its certificate is not good (" + err.Error() + ")"
	case errors.Is(err, syscall.ECONNREFUSED):
		return "it refused the connection: nothing listens at that address and port"
	case errors.As(err, &name):
		return "its name is not known (" + name.Error() + ")"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET), errors.As(err, new(tls.RecordHeaderError)):
		return "it ended the connection at once: perhaps one end wants TLS and the other does not (tcp:// or ssl://, and their ports)"
	}
	return err.Error()
}
