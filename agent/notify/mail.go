package notify

import (
	"context"
	"errors"
	"fmt"

	"github.com/wneessen/go-mail"

	"arcdrift/agent/alert"
)

// Mail sends e-mail through one SMTP server.
type Mail struct {
	Host string
	Port int
	From string
	To   []string
	// User and Password log in; without a user nobody does.
	User, Password string
	// Unencrypted allows a server without TLS: for a relay on the same host.
	Unencrypted bool
}

// Send delivers one message. Its Message-ID comes from the action's key, so that
// a repeat is known as one, and all mail of one case hangs together.
func (m *Mail) Send(ctx context.Context, a alert.Action) error {
	message, err := m.message(a)
	if err != nil {
		return &Refusal{err}
	}
	client, err := m.client()
	if err != nil {
		return fmt.Errorf("the mail server %s cannot be used: %w", m.Host, err)
	}
	err = client.DialAndSendWithContext(ctx, message)
	var fault *mail.SendError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &fault) && !fault.IsTemp() && (fault.Reason == mail.ErrSMTPData || fault.Reason == mail.ErrSMTPDataClose):
		return &Refusal{err}
	default:
		return fmt.Errorf("the mail server %s did not take the message: %w", m.Host, err)
	}
}

func (m *Mail) client() (*mail.Client, error) {
	policy := mail.TLSMandatory
	if m.Unencrypted {
		policy = mail.TLSOpportunistic
	}
	options := []mail.Option{mail.WithPort(m.Port), mail.WithTimeout(attemptTime), mail.WithTLSPolicy(policy)}
	if m.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.User), mail.WithPassword(m.Password))
	}
	return mail.NewClient(m.Host, options...)
}

func (m *Mail) message(a alert.Action) (*mail.Msg, error) {
	message := mail.NewMsg()
	if err := message.From(m.From); err != nil {
		return nil, fmt.Errorf("the sender %q is not an address: %w", m.From, err)
	}
	if err := message.To(m.To...); err != nil {
		return nil, fmt.Errorf("the receivers are not all addresses: %w", err)
	}
	message.Subject(a.Title)
	message.SetDateWithValue(a.At)
	message.SetMessageIDWithValue(shortKey(a.Key) + "@arcdrift.invalid")
	message.SetGenHeader(mail.HeaderReferences, "<"+shortKey(a.Case)+"@arcdrift.invalid>")
	message.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: no out-of-office answers
	message.SetBodyString(mail.TypeTextPlain, a.Body+"\n")
	return message, nil
}
