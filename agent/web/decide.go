package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
)

// decisions makes the forms that decide on splices, for one page.
type decisions struct {
	may     bool
	pressed string
	typed   url.Values // of a form that was refused
}

// decideView is a form that decides on some entries at once. Each entry goes with the
// chance that the page shows, which the decision rests on.
type decideView struct {
	ID, Button, Pressed string
	Entries             []string
	// Open is whether this form was refused; then it holds what was typed.
	Open                      bool
	Verdict, Reason, Operator string
}

// form decides on the entries; nil for somebody who may not. name tells it from the others
// of the page.
func (d *decisions) form(name string, all []*lookback.Entry) *decideView {
	if !d.may {
		return nil
	}
	v := &decideView{ID: name, Button: "Decide", Pressed: d.pressed}
	if len(all) > 1 {
		v.Button = fmt.Sprintf("Decide for all %d", len(all))
	}
	for _, e := range all {
		v.Entries = append(v.Entries, url.Values{
			"machine": {e.Machine}, "day": {e.Day}, "job": {e.Job}, "chance_out": {strconv.FormatFloat(e.Chance, 'f', -1, 64)},
		}.Encode())
	}
	if d.typed.Get("form") == name {
		v.Open, v.Verdict, v.Reason, v.Operator = true, d.typed.Get("verdict"), d.typed.Get("reason"), d.typed.Get("operator")
	}
	return v
}

// decide takes a decision on one or more entries, a record for each, and shows the list
// again.
func (s *Server) decide(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	offers, problem := s.decided(typed, string(passOf(r).Role))
	if problem != nil {
		s.showLookBack(w, r, http.StatusBadRequest, Answered{Problem: phrase.Sentence(problem.Error()) + ". Nothing was kept."}, typed)
		return
	}
	receipts, err := s.offer(r, offers)
	if err != nil {
		s.cannotTake(err)
		w.Header().Set("Retry-After", retryAfter)
		s.showLookBack(w, r, http.StatusServiceUnavailable, Answered{NotKept: true}, typed)
		return
	}
	if refused := refusals(offers, receipts); len(refused) > 0 {
		said := fmt.Sprintf("%d of %s kept. Refused: %s", len(offers)-len(refused), phrase.Count(len(offers), "decision"), strings.Join(refused, " "))
		s.showLookBack(w, r, http.StatusBadRequest, Answered{Problem: said}, typed)
		return
	}
	query := r.URL.Query()
	query.Set("done", strconv.Itoa(len(offers)))
	http.Redirect(w, r, "/look-back?"+query.Encode(), http.StatusSeeOther)
}

// decided makes a record for each entry of a form, or says what is wrong with the first
// that cannot be one.
func (s *Server) decided(typed url.Values, role string) ([]intake.Submission, *drift.Problem) {
	entries := typed["entry"]
	switch {
	case len(entries) == 0:
		return nil, &drift.Problem{Field: "entry", Reason: "is missing: say which splices"}
	case strings.TrimSpace(typed.Get("operator")) == "":
		return nil, &drift.Problem{Field: "operator", Reason: "is missing: say who decides"}
	}
	at := s.happened(typed).Format(time.RFC3339)
	var offers []intake.Submission
	for _, text := range entries {
		entry, err := url.ParseQuery(text)
		if err != nil {
			return nil, &drift.Problem{Field: "entry", Value: text, Reason: "cannot be read: open the page anew"}
		}
		v := url.Values{"type": {string(drift.TypeDecision)}, "time": {at}}
		for _, name := range []string{"machine", "job", "day", "chance_out"} {
			v.Set(name, entry.Get(name))
		}
		for _, name := range []string{"verdict", "reason", "operator"} {
			v.Set(name, typed.Get(name))
		}
		if role != "" {
			v.Set("role", role)
		}
		record, err := wire.Form(v)
		if problem := problemOf(err); problem != nil {
			return nil, problem
		}
		if problem := problemOf(record.Check()); problem != nil {
			return nil, problem
		}
		offers = append(offers, intake.Submission{Raw: []byte(v.Encode()), Record: record, Via: "form"})
	}
	return offers, nil
}

// refusals say which of the decisions were not taken, a sentence each.
func refusals(offers []intake.Submission, receipts []intake.Receipt) (out []string) {
	for i := range receipts {
		if p := receipts[i].Refused; p != nil {
			d := offers[i].Record.Decision
			out = append(out, fmt.Sprintf("%s, %s, %s: %s.", offers[i].Record.Machine, d.Day, or(d.Job, "no job named"), p.Error()))
		}
	}
	return out
}
