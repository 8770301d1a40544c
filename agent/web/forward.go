package web

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"net/http"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// The ways in for what was taken before: forward for another agent that sends on
// what it took, imported and logged for the commands, which come here while the
// agent holds the store and leave the same there as without it.
const (
	forward  = "forward"
	imported = "import"
	logged   = "log"
	// direct is for what comes from its first writer.
	direct = "http"
)

// arrivalHeader tells a forwarder that the hub does not believe what it states about
// when and from where the records came.
const arrivalHeader = "Arcdrift-Arrival"

// bodyOf reads an upload, pressed or not, up to maxBody. When it cannot, it has
// answered why, and nothing of it was taken.
func bodyOf(w http.ResponseWriter, r *http.Request) ([]byte, bool) {
	from := io.Reader(r.Body)
	var err error
	if r.Header.Get("Content-Encoding") == "gzip" {
		from, err = gzip.NewReader(r.Body)
	}
	var body []byte
	if err == nil {
		body, err = io.ReadAll(io.LimitReader(from, maxBody+1))
	}
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large) || len(body) > maxBody:
		refuse(w, http.StatusRequestEntityTooLarge, &drift.Problem{Reason: "the upload is larger than 1 MiB: send it in parts; none of it was taken"})
		return nil, false
	case err != nil:
		refuse(w, http.StatusBadRequest, &drift.Problem{Reason: "the upload broke off: send it again; none of it was taken"})
		return nil, false
	}
	return body, true
}

// exportedOf reads exported lines, whose arrival is kept if it is believed. Else
// they come now, as any others.
func exportedOf(body []byte, via string, believed bool) []intake.Submission {
	if !believed {
		via = direct
	}
	var offers []intake.Submission
	for line := range wire.JSONLines(bytes.NewReader(body)) {
		if len(offers) > maxLines {
			break
		}
		o := intake.Submission{Raw: line.Raw, Record: line.Record, Problem: line.Problem, Line: line.Number, Via: via}
		if believed {
			o.Received, o.PossibleRepeat, o.Account = line.Received, line.PossibleRepeat, line.Account
		}
		offers = append(offers, o)
	}
	return offers
}

// postRefused takes what another agent refused, one JSON object a line, all or
// none, and answers {"kept":n} once that is durable.
func (s *Server) postRefused(w http.ResponseWriter, r *http.Request) {
	body, ok := bodyOf(w, r)
	if !ok {
		return
	}
	believed, now := passOf(r).Relays(forward), s.Now()
	var offers []intake.Submission
	for line := range bytes.Lines(body) {
		refused, err := wire.ReadRefusal(line)
		if err != nil {
			refuse(w, http.StatusUnprocessableEntity, problemOf(err))
			return
		}
		if refused.Machine != "" && !passOf(r).MayWrite(refused.Machine) {
			refuse(w, http.StatusForbidden, &drift.Problem{Field: "machine", Value: refused.Machine, Reason: "is not one that " + passOf(r).Name + " may write for: nothing was taken"})
			return
		}
		refusal := drift.Refusal(refused)
		if !believed {
			refusal.Via, refusal.Time, refusal.Last, refusal.Times = direct, now, now, 1
		}
		offers = append(offers, intake.Submission{Machine: refusal.Machine, Via: forward, Refusal: &refusal})
	}
	if _, err := s.offer(r, offers); err != nil {
		s.busy(w, err)
		return
	}
	answer(w, http.StatusCreated, struct {
		Kept int `json:"kept"`
	}{len(offers)})
}

// busy answers that the store takes nothing now.
func (s *Server) busy(w http.ResponseWriter, err error) {
	s.cannotTake(err)
	w.Header().Set("Retry-After", retryAfter)
	refuse(w, http.StatusServiceUnavailable, &drift.Problem{Reason: "the records cannot be taken now: send the same again in a few seconds, a repeat does no harm"})
}
