package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// maxLines bounds an upload of rubbish: each refused line is kept, and a body
// of good records has fewer.
const maxLines = 20_000

// postRecords takes one object or JSON lines and answers every record with one
// line: its receipt, or why it was refused. The status sums up; 201 is given
// only for what is durable.
func (s *Server) postRecords(w http.ResponseWriter, r *http.Request) {
	body, ok := bodyOf(w, r)
	if !ok {
		return
	}
	var offers []intake.Submission
	via := r.URL.Query().Get("via")
	believed := passOf(r).Relays(via)
	switch via {
	default:
		offers = offersOf(body)
	case imported, logged:
		offers = exportedOf(body, via, believed)
	case forward:
		offers = exportedOf(body, via, believed)
		w.Header().Set("Arcdrift-Run", s.run)
		if !believed {
			w.Header().Set(arrivalHeader, "not believed")
		}
		// An agent that got a refusal would believe that its hub has the record.
		if problem := barred(passOf(r), offers); problem != nil {
			s.Log.Warn("forwarded records were not taken", "user", passOf(r).Name, "error", problem)
			problem.Reason += ": nothing was taken"
			refuse(w, http.StatusForbidden, problem)
			return
		}
	}
	if len(offers) > maxLines {
		refuse(w, http.StatusRequestEntityTooLarge, &drift.Problem{Reason: "the upload has more than 20,000 lines: send it in parts; none of it was taken"})
		return
	}
	if len(offers) == 0 {
		refuse(w, http.StatusBadRequest, &drift.Problem{Reason: "there is no record in it"})
		return
	}
	receipts, err := s.offer(r, offers)
	if err != nil {
		s.busy(w, err)
		return
	}
	if len(receipts) == 1 && receipts[0].Line == 0 {
		answer(w, statusOf(receipts), wire.Receipt(receipts[0]))
		return
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	for _, receipt := range receipts {
		if err := enc.Encode(wire.Receipt(receipt)); err != nil {
			s.fail(w, err)
			return
		}
	}
	w.Header().Set("Content-Type", jsonLines)
	w.WriteHeader(statusOf(receipts))
	_, _ = w.Write(out.Bytes()) // a reader that has gone sends again
}

// cannotTake logs why the store took nothing; a full queue is not logged.
func (s *Server) cannotTake(err error) {
	if !errors.Is(err, intake.ErrBusy) {
		s.Log.Error("records not taken", "error", err)
	}
}

// offersOf reads a body: whole, if it is one JSON value, else line by line.
func offersOf(body []byte) []intake.Submission {
	if json.Valid(body) {
		record, err := wire.Record(bytes.TrimSpace(body))
		return []intake.Submission{{Raw: body, Record: record, Problem: problemOf(err), Via: direct}}
	}
	var offers []intake.Submission
	for line := range wire.JSONLines(bytes.NewReader(body)) {
		if len(offers) > maxLines {
			break
		}
		offers = append(offers, intake.Submission{Raw: line.Raw, Record: line.Record, Problem: line.Problem, Line: line.Number, Via: direct})
	}
	return offers
}

// problemOf is the problem in a decoder's error; nil for none.
func problemOf(err error) *drift.Problem {
	if err == nil {
		return nil
	}
	var p *drift.Problem
	if errors.As(err, &p) {
		return p
	}
	return &drift.Problem{Reason: err.Error()}
}

// statusOf sums up: created if any record is kept, else conflict if one had the
// id of another, else a bad request.
func statusOf(receipts []intake.Receipt) int {
	status := http.StatusBadRequest
	for _, r := range receipts {
		switch {
		case r.Refused == nil && !r.Conflict:
			return http.StatusCreated
		case r.Conflict:
			status = http.StatusConflict
		}
	}
	return status
}
