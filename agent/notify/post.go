package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"arcdrift/agent/alert"
)

// Client is an HTTP client for webhooks and Alertmanagers. It follows no
// redirect: what was signed for one place is not for another.
func Client() *http.Client {
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.MaxIdleConnsPerHost = 1
	transport.ResponseHeaderTimeout = attemptTime
	return &http.Client{
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// post sends JSON and reads the verdict off the status. The address stays out of
// errors: it may hold a secret.
func post(ctx context.Context, client *http.Client, to string, body []byte, header http.Header) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, to, bytes.NewReader(body))
	if err != nil {
		return withoutAddress(err)
	}
	request.Header = header
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "arcdrift")
	answer, err := client.Do(request)
	if err != nil {
		return withoutAddress(err)
	}
	defer answer.Body.Close()
	reply, _ := io.ReadAll(io.LimitReader(answer.Body, 200)) // only for the error's text
	switch {
	case answer.StatusCode/100 == 2:
		return nil
	case answer.StatusCode == http.StatusBadRequest, answer.StatusCode == http.StatusRequestEntityTooLarge,
		answer.StatusCode == http.StatusUnprocessableEntity:
		return &Refusal{fmt.Errorf("the receiver answered %s: %q", answer.Status, reply)}
	default:
		return fmt.Errorf("the receiver answered %s: %q", answer.Status, reply)
	}
}

func withoutAddress(err error) error {
	var of *url.Error
	if errors.As(err, &of) {
		return fmt.Errorf("the receiver cannot be reached: %w", of.Err)
	}
	return err
}

// Webhook posts the action as JSON, signed as the open specification Standard
// Webhooks 1.0.0 says, so that a receiver can check with a library it has.
type Webhook struct {
	URL string
	// Secret signs; its form on paper is "whsec_" and base64.
	Secret []byte
	Client *http.Client
	Now    func() time.Time
}

// Send posts the action. A receiver knows a repeat by the header webhook-id,
// which Idempotency-Key repeats for those that look there.
func (w *Webhook) Send(ctx context.Context, a alert.Action) error {
	body, err := json.Marshal(a)
	if err != nil {
		return &Refusal{err}
	}
	id, at := shortKey(a.Key), w.Now()
	header := http.Header{}
	header.Set("webhook-id", id)
	header.Set("webhook-timestamp", strconv.FormatInt(at.Unix(), 10))
	header.Set("webhook-signature", Sign(w.Secret, id, at, body))
	header.Set("Idempotency-Key", strconv.Quote(id))
	return post(ctx, w.Client, w.URL, body, header)
}

// Sign is the value of the header webhook-signature.
func Sign(secret []byte, id string, at time.Time, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	fmt.Fprintf(mac, "%s.%d.%s", id, at.Unix(), body) // a hash never fails to write
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

// shortKey is a key without characters that mean something to a header or to
// the webhook specification, as unlikely to meet another as 128 bits are.
func shortKey(key string) string {
	sum := sha256.Sum256([]byte(key))
	return "arcdrift-" + hex.EncodeToString(sum[:16])
}

// Alone is false: it leads to people, by short messages or a chat.
func (*Webhook) Alone() bool { return false }
