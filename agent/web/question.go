package web

import (
	"crypto/rand"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// askView is an open question with the answers that one tap gives. ID goes with
// the answer, so that a second tap changes nothing.
type askView struct {
	Kind    drift.QuestionKind
	Text    string
	ID      string
	Replies []replyView
	About   string // the record it is about, for the tap of an older page
}

type replyView struct {
	Say  string
	Then int
}

// asksOf words the questions of a machine, and the warnings that are none.
func asksOf(a *advise.Assessment) (asks []askView, rest []string) {
	rest = slices.DeleteFunc(slices.Clone(a.Warnings), func(w string) bool {
		return slices.ContainsFunc(a.Questions, func(q drift.Question) bool { return q.Text == w })
	})
	for i := range a.Questions {
		q := &a.Questions[i]
		ask := askView{Kind: q.Kind, Text: q.Text, ID: rand.Text(), About: about(q)}
		for n, r := range q.Replies {
			ask.Replies = append(ask.Replies, replyView{r.Say, n})
		}
		asks = append(asks, ask)
	}
	return asks, rest
}

// about is the record a question is about, "" for one about the machine.
func about(q *drift.Question) string {
	if len(q.Records) == 0 {
		return ""
	}
	return q.Records[0]
}

// answerQuestion keeps the answer to a question as records.
func (s *Server) answerQuestion(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	a, _, err := s.answerFor(s.Fleet.Board(), typed.Get("machine"), drift.Opt[time.Time]{})
	if err != nil {
		s.fail(w, err)
		return
	}
	q, reply := replyOf(a, typed)
	if reply == nil {
		s.lost(w, http.StatusConflict, "Question already answered", "Somebody has answered this question, or the records have changed.")
		return
	}
	receipts, err := s.offer(r, s.recordsOf(q.Machine, reply, typed))
	if err != nil {
		s.busy(w, err)
		return
	}
	view := savedView{Machine: a.Machine, What: reply.Say, At: phrase.Clock(s.Now())}
	for _, receipt := range receipts {
		if receipt.Refused != nil {
			s.lost(w, http.StatusBadRequest, "Not saved", phrase.Sentence(receipt.Refused.Error())+".")
			return
		}
		view.Questions = append(view.Questions, receipt.Questions...)
	}
	s.render(w, "saved", page{Title: "Saved", Field: true, Status: http.StatusCreated, Body: view})
}

// replyOf is the answer that was tapped, nil if its question is no longer open.
func replyOf(a *advise.Assessment, typed url.Values) (*drift.Question, *drift.Reply) {
	if a == nil {
		return nil, nil
	}
	n, err := strconv.Atoi(typed.Get("reply"))
	for i := range a.Questions {
		q := &a.Questions[i]
		if err == nil && string(q.Kind) == typed.Get("kind") && about(q) == typed.Get("about") && n >= 0 && n < len(q.Replies) {
			return q, &q.Replies[n]
		}
	}
	return nil, nil
}

// recordsOf makes the records of an answer: corrections of the records it is about,
// which may bear an earlier name of the machine, or a setup of the machine.
func (s *Server) recordsOf(machine string, reply *drift.Reply, typed url.Values) (offers []intake.Submission) {
	common := url.Values{"time": {s.happened(typed).Format(time.RFC3339)}, "machine": {machine}, "operator": {typed.Get("operator")}}
	var forms []url.Values
	if len(reply.Records) == 0 {
		forms = append(forms, url.Values{"type": {string(drift.TypeSetup)}, "scope": {string(drift.ScopeMachine)}, reply.Field: {reply.Value}})
	}
	for _, id := range reply.Records {
		forms = append(forms, url.Values{"type": {string(drift.TypeCorrection)}, "corrects": {id}, "reason": {reply.Say},
			"fields": {string(drift.AppendChange(nil, reply.Field, reply.Value))}})
	}
	for n, form := range forms {
		for name, value := range common {
			form[name] = value
		}
		form.Set("id", fmt.Sprintf("%s-%d", or(typed.Get("id"), rand.Text()), n))
		record, err := wire.Form(form)
		offers = append(offers, intake.Submission{Raw: []byte(form.Encode()), Record: record, Problem: problemOf(err), Via: "form"})
	}
	return offers
}
