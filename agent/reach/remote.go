package reach

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/web"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/lookback"
)

// maxPost is how much one request carries: the agent takes no more than 1 MiB.
const maxPost = 512 << 10

// busyPause is how long to wait before a busy agent is asked again. It stays the
// same: the agent is on this computer, and a refusal costs it little.
const busyPause = time.Second

// remote reaches the records through a running agent's HTTP interface.
type remote struct {
	url    string // of the agent's pages, as messages show it
	base   string // of requests
	client *http.Client
}

// Agent is the running agent that holds the store at path db, whose pages are at url.
func Agent(db, url string) Place { return newRemote(db, url) }

// newRemote reaches the agent that holds the store, whose pages are at url. By
// the socket beside the store it speaks without encryption.
func newRemote(db, url string) *remote {
	r := &remote{url: url, base: url, client: &http.Client{Timeout: time.Minute, Transport: throughSocket(db)}}
	if _, err := os.Stat(SocketFile(db)); err == nil {
		r.base = "http://localhost"
	}
	return r
}

// Close implements place.
func (r *remote) Close() error {
	r.client.CloseIdleConnections()
	return nil
}

// Take posts the submissions as JSON lines, in as many requests as they need.
func (r *remote) Take(ctx context.Context, submissions []intake.Submission) ([]intake.Receipt, error) {
	var out []intake.Receipt
	for len(submissions) > 0 {
		var body []byte
		n, refused := 0, submissions[0].Refusal != nil
		for n < len(submissions) && (submissions[n].Refusal != nil) == refused && (n == 0 || len(body)+len(submissions[n].Raw) < maxPost) {
			body = appendLine(body, &submissions[n])
			n++
		}
		path := "/api/v1/records?via=" + submissions[0].Via
		if refused {
			path = "/api/v1/refused"
		}
		receipts, err := r.post(ctx, path, body, submissions[:n])
		if err != nil {
			return nil, err
		}
		out, submissions = append(out, receipts...), submissions[n:]
	}
	return out, nil
}

// appendLine adds the submission as one line: the record, with its arrival if it has one
// from before, or, of what could not be read, the bytes as they came, for the agent
// to keep among the refused.
func appendLine(body []byte, o *intake.Submission) []byte {
	switch {
	case o.Problem == nil && o.Refusal == nil && !o.Received.IsZero():
		e := drift.Entry{Record: o.Record, Received: o.Received, Via: o.Via, PossibleRepeat: o.PossibleRepeat, Account: o.Account}
		return append(wire.AppendEntry(body, &e), '\n')
	case o.Problem == nil && o.Refusal == nil:
		return append(o.Record.AppendCanonical(body), '\n')
	}
	line := bytes.ReplaceAll(o.Raw, []byte("\n"), []byte(" "))
	if len(bytes.TrimSpace(line)) == 0 {
		line = []byte("{}")
	}
	return append(append(body, line...), '\n')
}

// post sends one request. Refusals are taken all or none, without receipts of
// their own.
func (r *remote) post(ctx context.Context, path string, body []byte, submissions []intake.Submission) ([]intake.Receipt, error) {
	status, answer, err := r.do(ctx, http.MethodPost, path, body)
	if err != nil {
		return nil, err
	}
	out := make([]intake.Receipt, 0, len(submissions))
	if submissions[0].Refusal != nil && status == http.StatusCreated {
		return out[:len(submissions)], nil
	}
	dec := json.NewDecoder(bytes.NewReader(answer))
	for i := range submissions {
		var receipt wire.Receipt
		if err := dec.Decode(&receipt); err != nil {
			return nil, fmt.Errorf("the agent at %s answered %d: %.200s", r.url, status, answer)
		}
		receipt.Line = submissions[i].Line // of the upload, not of this request
		if p := submissions[i].Problem; p != nil {
			receipt.Refused = p // found before sending
		}
		out = append(out, intake.Receipt(receipt))
	}
	return out, nil
}

// Assess asks for the machines' states.
func (r *remote) Assess(ctx context.Context, machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	query := url.Values{}
	for name, at := range map[string]drift.Opt[time.Time]{"as_of": asOf, "known_at": knownAt} {
		if t, ok := at.Get(); ok {
			query.Set(name, t.Format(time.RFC3339Nano))
		}
	}
	path := "/api/v1/machines"
	if machine != "" {
		path += "/" + url.PathEscape(machine)
		var one advise.Assessment
		err := r.get(ctx, path, query, &one)
		return []advise.Assessment{one}, err
	}
	var all []advise.Assessment
	err := r.get(ctx, path, query, &all)
	return all, err
}

// Move asks the site check.
func (r *remote) Move(ctx context.Context, q advise.Move) (advise.MoveAnswer, error) {
	query := url.Values{"machine": {q.Machine}}
	if !q.AsOf.IsZero() {
		query.Set("as_of", q.AsOf.Format(time.RFC3339Nano))
	}
	if q.AskID != "" {
		query.Set("ask_id", q.AskID)
	}
	if q.Program != "" {
		query.Set("program", q.Program)
	}
	for name, v := range map[string]drift.Opt[float64]{
		"temperature_c": q.Temperature, "humidity_pct": q.Humidity, "altitude_m": q.Altitude,
		"pressure_hpa": q.Pressure, "machine_temperature_c": q.MachineTemperature,
	} {
		if x, ok := v.Get(); ok {
			query.Set(name, strconv.FormatFloat(x, 'g', -1, 64))
		}
	}
	if cold, said := q.Cold.Get(); said {
		query.Set("machine_cold", strconv.FormatBool(cold))
	}
	var a advise.MoveAnswer
	err := r.get(ctx, "/api/v1/site-check", query, &a)
	return a, err
}

// LookBack asks which splices to doubt.
func (r *remote) LookBack(ctx context.Context, q lookback.Question) (report lookback.Report, err error) {
	query := url.Values{}
	for name, text := range map[string]string{"machine": q.Machine, "job": q.Job} {
		if text != "" {
			query.Set(name, text)
		}
	}
	for name, at := range map[string]drift.Opt[time.Time]{"from": q.From, "to": q.To} {
		if t, ok := at.Get(); ok {
			query.Set(name, t.Format(time.RFC3339Nano))
		}
	}
	err = r.get(ctx, "/api/v1/look-back", query, &report)
	return report, err
}

// Export copies what the agent holds.
func (r *remote) Export(ctx context.Context, w io.Writer, format string) error {
	return r.copy(ctx, w, "/api/v1/records?format="+format)
}

// Backup copies the agent's store as it is at this moment.
func (r *remote) Backup(ctx context.Context, w io.Writer) error {
	return r.copy(ctx, w, "/api/v1/backup")
}

// copy copies a long answer, which may take longer than any question: only ctx
// ends it.
func (r *remote) copy(ctx context.Context, w io.Writer, path string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, r.base+path, nil)
	if err != nil {
		return err
	}
	resp, err := (&http.Client{Transport: r.client.Transport}).Do(req)
	if err != nil {
		return fmt.Errorf("the agent cannot be reached: %w", err)
	}
	defer func() { _ = resp.Body.Close() }() // read to its end, or given up
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("the agent at %s answered %s", r.url, resp.Status)
	}
	if _, err := io.Copy(w, resp.Body); err != nil {
		return fmt.Errorf("the agent's answer broke off: %w", err)
	}
	if left := resp.Trailer.Get(web.LeftOutTrailer); left != "" {
		return errors.New(left)
	}
	return nil
}

// get asks a question and decodes the answer.
func (r *remote) get(ctx context.Context, path string, query url.Values, answer any) error {
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	status, body, err := r.do(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	if status != http.StatusOK {
		var receipt wire.Receipt
		if json.Unmarshal(body, &receipt) == nil && receipt.Refused != nil {
			return receipt.Refused
		}
		return fmt.Errorf("the agent at %s answered %d: %.200s", r.url, status, body)
	}
	if err := json.Unmarshal(body, answer); err != nil {
		return fmt.Errorf("the agent's answer cannot be read: %w", err)
	}
	return nil
}

// do asks, again while the agent is busy.
func (r *remote) do(ctx context.Context, method, path string, body []byte) (status int, answer []byte, err error) {
	for {
		status, answer, err = r.once(ctx, method, path, body)
		if err != nil || status != http.StatusServiceUnavailable {
			return status, answer, err
		}
		select {
		case <-ctx.Done():
			return 0, nil, ctx.Err()
		case <-time.After(busyPause):
		}
	}
}

func (r *remote) once(ctx context.Context, method, path string, body []byte) (status int, answer []byte, err error) {
	req, err := http.NewRequestWithContext(ctx, method, r.base+path, bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	resp, err := r.client.Do(req)
	if err != nil {
		return 0, nil, fmt.Errorf("the agent cannot be reached: %w", err)
	}
	answer, err = io.ReadAll(resp.Body)
	if err := errors.Join(err, resp.Body.Close()); err != nil {
		return 0, nil, fmt.Errorf("the agent's answer broke off: %w", err)
	}
	return resp.StatusCode, answer, nil
}
