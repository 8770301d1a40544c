package forward

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"syscall"
	"time"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

const (
	// patience is how long one request may take, on the slowest links.
	patience = 2 * time.Minute
	// maxAnswer is how many bytes of an answer are read.
	maxAnswer = 8 << 20
	// maxBusy bounds how long a hub may ask to wait.
	maxBusy = 10 * time.Minute
)

// arrivalHeader says that the hub does not believe this agent about when and from whom
// its records came.
const arrivalHeader = "Arcdrift-Arrival"

// runHeader identifies the run of the hub's process that answers.
const runHeader = "Arcdrift-Run"

// Hub is the agent to which records are sent.
type Hub struct {
	// URL is like https://hub.example:8470, without a path.
	URL            string
	User, Password string
	// Transport carries the requests; nil is Go's own.
	Transport http.RoundTripper
}

// Name is the hub's name in the store of an agent that sends to it.
func (h *Hub) Name() string { return strings.TrimRight(h.URL, "/") }

// client sends requests to a hub.
type client struct {
	Hub
	http *http.Client
	// doubted: the hub does not believe when and from whom records came.
	doubted bool
}

func newClient(hub Hub) *client {
	hub.URL = hub.Name()
	return &client{Hub: hub, http: &http.Client{Transport: hub.Transport, Timeout: patience}}
}

func (c *client) close() { c.http.CloseIdleConnections() }

// busyError is a hub that asks to wait.
type busyError struct{ after time.Duration }

func (b *busyError) Error() string {
	return fmt.Sprintf("the hub asks to wait for %s", b.after)
}

// entries sends records and returns one receipt for each, and the run of the hub that
// gave them. Any other answer is an error, and it is not known whether the hub has the
// records.
func (c *client) entries(ctx context.Context, entries []drift.Entry) (out []wire.Receipt, run string, err error) {
	var body []byte
	for i := range entries {
		body = append(wire.AppendEntry(body, &entries[i]), '\n')
	}
	lines, run, err := c.post(ctx, "/api/v1/records?via=forward", body)
	if err != nil {
		return nil, "", err
	}
	out = make([]wire.Receipt, len(entries))
	for i := range out {
		r := &out[i]
		if err := lines.Decode(r); err != nil {
			return nil, "", fmt.Errorf("the hub's answer broke off: %w", err)
		}
		if r.Line != i+1 || r.Refused == nil && (r.Seq == 0 || r.ID != entries[i].ID) {
			return nil, "", fmt.Errorf("the hub's answer is no receipt of record %s", entries[i].ID)
		}
	}
	return out, run, nil
}

// refusals sends refusals; nil means that the hub has stored all.
func (c *client) refusals(ctx context.Context, changed []store.ChangedRefusal) error {
	var body []byte
	for i := range changed {
		r := wire.Refusal(changed[i].Refusal)
		body = append(wire.AppendRefusal(body, &r), '\n')
	}
	lines, _, err := c.post(ctx, "/api/v1/refused", body)
	if err != nil {
		return err
	}
	var a struct{ Kept int }
	if err := lines.Decode(&a); err != nil || a.Kept != len(changed) {
		return fmt.Errorf("the hub's answer is no receipt of %d refusals", len(changed))
	}
	return nil
}

// people sends pseudonyms and names; nil means that the hub has stored all. A hub that
// does not take them answers with an [answeredError].
func (c *client) people(ctx context.Context, changed []store.Person) error {
	var body []byte
	for _, p := range changed {
		body = append(wire.AppendPerson(body, p.Person), '\n')
	}
	lines, _, err := c.post(ctx, "/api/v1/people", body)
	if err != nil {
		return err
	}
	var a struct{ Kept int }
	if err := lines.Decode(&a); err != nil || a.Kept != len(changed) {
		return fmt.Errorf("the hub's answer is no receipt of %d people", len(changed))
	}
	return nil
}

// answeredError is an answer without receipts.
type answeredError struct {
	status int
	text   string
}

func (a *answeredError) Error() string { return a.text }

// post sends JSON lines, compressed, and returns the lines of the answer and the hub's
// run. An answer of another status is an error.
func (c *client) post(ctx context.Context, path string, body []byte) (lines *json.Decoder, run string, err error) {
	var compressed bytes.Buffer
	z := gzip.NewWriter(&compressed)
	if _, err := z.Write(body); err != nil {
		return nil, "", err
	}
	if err := z.Close(); err != nil {
		return nil, "", err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.URL+path, &compressed)
	if err != nil {
		return nil, "", err
	}
	req.Header.Set("Content-Type", "application/jsonl")
	req.Header.Set("Content-Encoding", "gzip")
	if c.User != "" {
		req.SetBasicAuth(c.User, c.Password)
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, "", unreachable(err)
	}
	raw, err := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	if err := errors.Join(err, resp.Body.Close()); err != nil {
		return nil, "", fmt.Errorf("the hub's answer broke off: %w", err)
	}
	c.doubted = resp.Header.Get(arrivalHeader) != ""
	switch resp.StatusCode {
	case http.StatusCreated, http.StatusConflict, http.StatusBadRequest:
		return json.NewDecoder(bytes.NewReader(raw)), resp.Header.Get(runHeader), nil
	case http.StatusServiceUnavailable, http.StatusTooManyRequests:
		seconds, _ := strconv.Atoi(resp.Header.Get("Retry-After")) // 0 without one: the pause is as after any failure
		return nil, "", &busyError{min(time.Duration(max(seconds, 0))*time.Second, maxBusy)}
	}
	hint := ""
	switch resp.StatusCode {
	case http.StatusUnauthorized:
		hint = " (is the user or the password wrong? Check forward-user and forward-password-file)"
	case http.StatusForbidden:
		hint = " (may this device write for these machines at the hub?)"
	}
	return nil, "", &answeredError{resp.StatusCode, fmt.Sprintf("the hub answered %s%s: %.200s", resp.Status, hint, bytes.TrimSpace(raw))}
}

// unreachable says why the hub was not reached, without this computer's ports, which
// change each time: equal failures are logged once.
func unreachable(err error) error {
	switch {
	case errors.As(err, new(x509.UnknownAuthorityError)):
		return fmt.Errorf("this computer does not know the authority that issued the hub's certificate: give the authority's certificate with forward-ca: %w", err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("the hub cannot be reached: nothing listens on that address and port: %w", err)
	}
	var op *net.OpError
	if errors.As(err, &op) && op.Op != "dial" {
		err = op.Err
	}
	return fmt.Errorf("the hub cannot be reached: %w", err)
}
