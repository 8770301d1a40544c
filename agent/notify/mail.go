package notify

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"net/smtp"
	"net/textproto"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/agent/alert"
)

// TLSPort is where mail servers encrypt from the start (RFC 8314, section 7.3).
const TLSPort = 465

// Mail sends e-mail to one mailbox through an SMTP server.
type Mail struct {
	Host string
	Port int
	From string
	// To is who the letter says that it is to; it is handed over for Mailbox, a place
	// in To.
	To      []string
	Mailbox int
	// User and Password log in; without a user there is no login.
	User, Password string
	// TLS encrypts from the start (RFC 8314) instead of by STARTTLS.
	TLS bool
	// Unencrypted does without STARTTLS: for a relay on the same host.
	Unencrypted bool

	roots *x509.CertPool // the authorities for the server, nil for those of the system
}

// Send delivers one message. Its Message-ID comes from the action's key, so that
// a repeat is known as one, and all mail of one case hangs together.
func (m *Mail) Send(ctx context.Context, a alert.Action) error {
	from, to, err := m.addresses()
	if err != nil {
		return &Refusal{err}
	}
	if err := m.deliver(ctx, from, to[m.Mailbox], letter(a, from, to)); err != nil {
		return fmt.Errorf("the mail server %s did not take the message for %s: %w", m.Host, to[m.Mailbox].Address, cmp.Or(ctx.Err(), err))
	}
	return nil
}

func (m *Mail) addresses() (from *mail.Address, to []*mail.Address, err error) {
	if from, err = mail.ParseAddress(m.From); err != nil {
		return nil, nil, fmt.Errorf("the sender %q is not an address: %w", m.From, err)
	}
	for _, text := range m.To {
		address, err := mail.ParseAddress(text)
		if err != nil {
			return nil, nil, fmt.Errorf("the receiver %q is not an address: %w", text, err)
		}
		to = append(to, address)
	}
	return from, to, nil
}

// deliver hands the letter to the server.
func (m *Mail) deliver(ctx context.Context, from, to *mail.Address, letter []byte) error {
	plain, err := new(net.Dialer).DialContext(ctx, "tcp", net.JoinHostPort(m.Host, strconv.Itoa(m.Port)))
	if err != nil {
		return err
	}
	defer context.AfterFunc(ctx, func() { _ = plain.Close() })() // ends a talk that lasts too long
	conn := plain
	if m.TLS {
		conn = tls.Client(plain, m.encryption())
	}
	client, err := smtp.NewClient(conn, m.Host)
	if err != nil {
		return errors.Join(err, conn.Close())
	}
	defer client.Close() // after Quit there is nothing left to close
	if err := m.greet(client); err != nil {
		return err
	}
	if err := client.Mail(from.Address); err != nil {
		return err
	}
	if err := client.Rcpt(to.Address); err != nil {
		return err
	}
	if err := hand(client, letter); err != nil {
		return err
	}
	_ = client.Quit() // the letter is taken
	return nil
}

// greet says who is there, encrypts and logs in.
func (m *Mail) greet(client *smtp.Client) error {
	if name, err := os.Hostname(); err == nil {
		if err := client.Hello(name); err != nil {
			return err
		}
	}
	switch offered, _ := client.Extension("STARTTLS"); {
	case m.TLS:
	case m.Unencrypted: // local relays have certificates of no known authority
	case offered:
		if err := client.StartTLS(m.encryption()); err != nil {
			return err
		}
	default:
		return errors.New("it offers no encryption (STARTTLS)")
	}
	if m.User == "" {
		return nil
	}
	_, ways := client.Extension("AUTH")
	switch ways := strings.Fields(ways); {
	case has(ways, "PLAIN"):
		return client.Auth(smtp.PlainAuth("", m.User, m.Password, m.Host))
	case has(ways, "LOGIN"):
		return client.Auth(&login{[]string{m.User, m.Password}})
	case has(ways, "CRAM-MD5"):
		return client.Auth(smtp.CRAMMD5Auth(m.User, m.Password))
	}
	return fmt.Errorf("it offers no login by PLAIN, LOGIN or CRAM-MD5, only %q", ways)
}

func (m *Mail) encryption() *tls.Config {
	return &tls.Config{ServerName: m.Host, RootCAs: m.roots, MinVersion: tls.VersionTLS12}
}

func has(ways []string, way string) bool {
	return slices.ContainsFunc(ways, func(w string) bool { return strings.EqualFold(w, way) })
}

// login is the only method that some large servers offer. It has no standard:
// the server asks for the name, then for the password. By greet it is
// encrypted, or on this computer.
type login struct{ answers []string }

func (*login) Start(*smtp.ServerInfo) (proto string, first []byte, err error) {
	return "LOGIN", nil, nil
}

func (l *login) Next(_ []byte, more bool) ([]byte, error) {
	if !more {
		return nil, nil
	}
	if len(l.answers) == 0 {
		return nil, errors.New("it asks for more than a name and a password")
	}
	prompt := l.answers[0]
	l.answers = l.answers[1:]
	return []byte(prompt), nil
}

// hand gives the letter. What the server then refuses for good it would refuse
// again.
func hand(client *smtp.Client, letter []byte) error {
	w, err := client.Data()
	if err == nil {
		_, err = w.Write(letter)
		err = errors.Join(err, w.Close())
	}
	var answer *textproto.Error
	if errors.As(err, &answer) && answer.Code/100 == 5 {
		return &Refusal{err}
	}
	return err
}

// letter is the message in the form of RFC 5322 and MIME.
func letter(a alert.Action, from *mail.Address, to []*mail.Address) []byte {
	var names []string
	for _, address := range to {
		names = append(names, address.String())
	}
	var out bytes.Buffer
	for _, line := range [][2]string{
		{"From", from.String()},
		{"To", strings.Join(names, ",\r\n ")},
		{"Subject", mime.QEncoding.Encode("utf-8", a.Title)},
		{"Date", a.At.Format(time.RFC1123Z)},
		{"Message-ID", "<" + shortKey(a.Key) + "@arcdrift.invalid>"},
		{"References", "<" + shortKey(a.Case) + "@arcdrift.invalid>"},
		{"Auto-Submitted", "auto-generated"}, // RFC 3834: no out-of-office answers
		{"MIME-Version", "1.0"},
		{"Content-Type", "text/plain; charset=utf-8"},
		{"Content-Transfer-Encoding", "quoted-printable"},
	} {
		fmt.Fprintf(&out, "%s: %s\r\n", line[0], line[1])
	}
	out.WriteString("\r\n")
	body := quotedprintable.NewWriter(&out)
	_, _ = io.WriteString(body, a.Body+"\n") // memory takes all
	_ = body.Close()
	return out.Bytes()
}

// Alone is false: people read it.
func (*Mail) Alone() bool { return false }
