package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http"
	"time"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// People are the persons that the records name.
type People interface {
	// Forget takes a name out and returns the pseudonym that is shown from now on;
	// a *drift.Problem says that no record has it.
	Forget(name string) (pseudonym string, err error)
	// Learn keeps what an agent that forwards says of the pseudonyms in its records.
	Learn(people []wire.Person) error
}

// postForget forgets the person whose name the body holds, {"name":"…"}, and answers
// {"pseudonym":"…"} once the name is nowhere in the store.
func (s *Server) postForget(w http.ResponseWriter, r *http.Request) {
	body, ok := bodyOf(w, r)
	if !ok {
		return
	}
	var asked struct{ Name string }
	if err := json.Unmarshal(body, &asked); err != nil || asked.Name == "" {
		refuse(w, http.StatusBadRequest, &drift.Problem{Field: "name", Reason: `is missing: send {"name":"…"}`})
		return
	}
	// A large store takes longer to rewrite than any page may.
	if err := http.NewResponseController(w).SetWriteDeadline(time.Time{}); err != nil {
		s.Log.Debug("a long answer keeps its time limit", "error", err)
	}
	pseudonym, err := s.People.Forget(asked.Name)
	if problem := (*drift.Problem)(nil); errors.As(err, &problem) {
		refuse(w, http.StatusNotFound, problem)
		return
	}
	if err != nil {
		s.busy(w, err)
		return
	}
	s.Log.Info("somebody was forgotten", "pseudonym", pseudonym, "user", passOf(r).Name)
	answer(w, http.StatusOK, struct {
		Pseudonym string `json:"pseudonym"`
	}{pseudonym})
}

// postPeople takes what another agent says of the pseudonyms in the records that it
// forwards, one JSON object a line, all or none, and answers {"kept":n} once that is
// durable, and everybody it has forgotten is forgotten here too.
func (s *Server) postPeople(w http.ResponseWriter, r *http.Request) {
	if !passOf(r).Relays(forward) {
		s.turnAway(w, r, http.StatusForbidden, "this account is not of an agent that forwards")
		return
	}
	body, ok := bodyOf(w, r)
	if !ok {
		return
	}
	var people []wire.Person
	for line := range bytes.Lines(body) {
		p, err := wire.ReadPerson(line)
		if err != nil {
			refuse(w, http.StatusUnprocessableEntity, problemOf(err))
			return
		}
		if p.Name == "" && passOf(r).Limited() {
			s.turnAway(w, r, http.StatusForbidden, "this account is limited to some customers: only the manager of this agent can forget a person, for all of them")
			return
		}
		people = append(people, p)
	}
	if err := s.People.Learn(people); err != nil {
		s.busy(w, err)
		return
	}
	answer(w, http.StatusCreated, struct {
		Kept int `json:"kept"`
	}{len(people)})
}
