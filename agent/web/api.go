package web

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"arcdrift/agent/auth"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// retryAfter is when, in seconds, it is worth asking again.
const retryAfter = "5"

func (s *Server) routeAPI(mux *routes) {
	mux.to(auth.HandIn, "POST /api/v1/records", (*Server).postRecords)
	mux.to(auth.Relay, "POST /api/v1/refused", (*Server).postRefused)
	mux.to(auth.Relay, "POST /api/v1/people", (*Server).postPeople)
	mux.whole(auth.Accounts, "POST /api/v1/people/forget", (*Server).postForget)
	mux.to(auth.Export, "GET /api/v1/records", (*Server).getExport)
	mux.whole(auth.Export, "GET /api/v1/backup", (*Server).getBackup)
	mux.to(auth.Export, "GET /api/v1/proof", onceRead((*Server).getProof))
	mux.HandleFunc("GET /api/v1/machines", onceRead((*Server).getMachines))
	mux.HandleFunc("GET /api/v1/machines/{id}", onceRead((*Server).getMachine))
	mux.HandleFunc("GET /api/v1/machines/{id}/records", (*Server).getRecords)
	mux.to(auth.Ask, "GET /api/v1/site-check", onceRead((*Server).getSiteCheck))
	mux.HandleFunc("GET /api/v1/offline", onceRead((*Server).getOffline))
	mux.HandleFunc("GET /api/v1/alerts", onceRead((*Server).getAlerts))
	mux.HandleFunc("GET /api/v1/rules", (*Server).getRules)
	mux.HandleFunc("GET /api/v1/compare", onceRead((*Server).getCompare))
	mux.HandleFunc("GET /api/v1/spares", onceRead((*Server).getSpares))
}

// getMachines answers the state of every machine, a JSON array, worst first.
func (s *Server) getMachines(w http.ResponseWriter, r *http.Request) {
	asOf, knownAt, problem := momentsOf(r.URL.Query())
	switch {
	case problem != nil:
		refuse(w, http.StatusBadRequest, problem)
	case asOf.Known() || knownAt.Known():
		answers, err := s.Fleet.AssessAt("", asOf, knownAt)
		if err != nil {
			s.fail(w, fmt.Errorf("web: assessing the fleet: %w", err))
			return
		}
		answer(w, http.StatusOK, listOf(answers))
	default:
		s.answerMachines(w, s.Fleet.Board())
	}
}

// answerMachines writes the answers one after the other: together those of a large fleet
// would take hundreds of megabytes.
func (s *Server) answerMachines(w http.ResponseWriter, b *Board) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	out := bufio.NewWriterSize(w, 64<<10)
	separator := byte('[')
	for i := range b.machines() {
		one, err := json.Marshal(b.machines()[i].Assessment)
		if err != nil { // it is a plain struct of ours; a NaN is the one way here
			s.Log.Error("an answer could not be written", "machine", b.machines()[i].Machine, "error", err)
			panic(http.ErrAbortHandler)
		}
		_ = out.WriteByte(separator) // the client may have gone; so below
		_, _ = out.Write(one)
		separator = ','
	}
	if b.rows.Len() == 0 {
		_ = out.WriteByte('[')
	}
	_, _ = out.WriteString("]\n")
	_ = out.Flush()
}

// listOf makes an empty list of a nil one, so that JSON says [] and not null.
func listOf(answers []advise.Assessment) []advise.Assessment {
	if answers == nil {
		return []advise.Assessment{}
	}
	return answers
}

// calledNow is the name of a machine now; of one that no record names, the one
// given.
func (s *Server) calledNow(b *Board, id string) string {
	if b.has(id) {
		return id
	}
	now, err := s.Fleet.AssessAt(id, drift.Opt[time.Time]{}, drift.Opt[time.Time]{})
	if err != nil || len(now) != 1 {
		return id
	}
	return now[0].Machine
}

// getMachine answers the state of one machine, now or at as_of.
func (s *Server) getMachine(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	asOf, knownAt, problem := momentsOf(r.URL.Query())
	if problem != nil {
		refuse(w, http.StatusBadRequest, problem)
		return
	}
	b := s.Fleet.Board()
	id = s.calledNow(b, id)
	m := b.find(id)
	switch {
	case m == nil:
		refuse(w, http.StatusNotFound, noSuchMachine(id))
	case asOf.Known() || knownAt.Known():
		answers, err := s.Fleet.AssessAt(id, asOf, knownAt)
		if err != nil {
			s.fail(w, fmt.Errorf("web: assessing %s: %w", id, err))
			return
		}
		if len(answers) == 0 {
			refuse(w, http.StatusNotFound, noSuchMachine(id))
			return
		}
		answer(w, http.StatusOK, answers[0])
	default:
		answer(w, http.StatusOK, m.Assessment)
	}
}

// mostRecords is the largest limit of one answer with records.
const mostRecords = 10_000

// recordsAsk is which records of a machine are asked for.
type recordsAsk struct {
	after string    // those stored after this one; "" for all
	since time.Time // those that arrived then or later; zero for all
	limit int       // at most so many; 0 for all
}

func recordsAskOf(v url.Values) (a recordsAsk, problem *drift.Problem) {
	a.after = v.Get("after")
	since, problem := momentOf(v, "since")
	if text := v.Get("limit"); text != "" && problem == nil {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > mostRecords {
			return a, &drift.Problem{Field: "limit", Value: text, Reason: "must be a whole number from 1 to 10000"}
		}
		a.limit = n
	}
	a.since = since.Or(time.Time{})
	return a, problem
}

// of picks from a machine's history; more says that the limit left some out.
func (a recordsAsk) of(entries []drift.Entry) (picked []drift.Entry, more bool, problem *drift.Problem) {
	if a.after != "" {
		at := slices.IndexFunc(entries, func(e drift.Entry) bool { return e.ID == a.after })
		if at < 0 {
			return nil, false, &drift.Problem{Field: "after", Value: a.after, Reason: "is not the id of a record of this machine"}
		}
		entries = entries[at+1:]
	}
	if !a.since.IsZero() {
		entries = slices.DeleteFunc(slices.Clone(entries), func(e drift.Entry) bool { return e.Received.Before(a.since) })
	}
	if a.limit > 0 && len(entries) > a.limit {
		return entries[:a.limit], true, nil
	}
	return entries, false, nil
}

// getRecords answers what is kept of one machine as JSON lines, in store order, in the
// form that an import takes again. Without a limit that is all; with one, the header Link
// has the address of the next part.
func (s *Server) getRecords(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	ask, problem := recordsAskOf(r.URL.Query())
	if problem != nil {
		refuse(w, http.StatusBadRequest, problem)
		return
	}
	entries, err := s.Records.History(id)
	if err != nil {
		s.fail(w, fmt.Errorf("web: history of %s: %w", id, err))
		return
	}
	if len(entries) == 0 {
		refuse(w, http.StatusNotFound, noSuchMachine(id))
		return
	}
	entries, more, problem := ask.of(entries)
	if problem != nil {
		refuse(w, http.StatusBadRequest, problem)
		return
	}
	if more {
		next := r.URL.Query()
		next.Set("after", entries[len(entries)-1].ID)
		w.Header().Set("Link", fmt.Sprintf("<%s?%s>; rel=\"next\"", r.URL.EscapedPath(), next.Encode()))
	}
	var out []byte
	for i := range entries {
		out = append(wire.AppendEntry(out, &entries[i]), '\n')
	}
	w.Header().Set("Content-Type", jsonLines)
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(out) // the client may have gone
}

// getSiteCheck answers whether to recalibrate after a move.
func (s *Server) getSiteCheck(w http.ResponseWriter, r *http.Request) {
	q, err := wire.MoveQuery(r.URL.Query())
	if err == nil && !passOf(r).MayRead(q.Machine) {
		refuse(w, http.StatusForbidden, &drift.Problem{Field: "machine", Value: q.Machine, Reason: "is not one that " + passOf(r).Name + " may ask about"})
		return
	}
	if err == nil {
		var a advise.MoveAnswer
		if a, err = s.move(q); err == nil {
			answer(w, http.StatusOK, a)
			return
		}
	}
	var problem *drift.Problem
	if errors.As(err, &problem) {
		refuse(w, http.StatusBadRequest, problem)
		return
	}
	s.fail(w, fmt.Errorf("web: site check: %w", err))
}

// move asks the fleet; a question without a moment means now.
func (s *Server) move(q advise.Move) (advise.MoveAnswer, error) {
	if q.AsOf.IsZero() {
		q.AsOf = s.Now()
	}
	return s.Fleet.Move(q)
}

func noSuchMachine(id string) *drift.Problem {
	return &drift.Problem{Field: "machine", Value: id, Reason: "is not known here: no record names it"}
}

// momentsOf reads as_of and known_at.
func momentsOf(v url.Values) (asOf, knownAt drift.Opt[time.Time], problem *drift.Problem) {
	if asOf, problem = momentOf(v, "as_of"); problem == nil {
		knownAt, problem = momentOf(v, "known_at")
	}
	return asOf, knownAt, problem
}

func momentOf(v url.Values, name string) (drift.Opt[time.Time], *drift.Problem) {
	text := v.Get(name)
	if text == "" {
		return drift.Opt[time.Time]{}, nil
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return drift.Opt[time.Time]{}, &drift.Problem{Field: name, Value: text, Reason: "must be a time with its offset, like 2026-03-02T18:00:00Z"}
	}
	return drift.Some(t), nil
}

const jsonLines = "application/jsonl"

func answer(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil { // every answer is a plain struct of ours; a NaN is the one way here
		http.Error(w, "the answer could not be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n')) // the client may have gone
}

// refuse answers {"field":…,"reason":…}.
func refuse(w http.ResponseWriter, status int, p *drift.Problem) {
	var field *string
	if p.Field != "" {
		field = &p.Field
	}
	answer(w, status, struct {
		Field  *string `json:"field"`
		Reason string  `json:"reason"`
	}{field, p.Error()})
}
