package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/auth"
	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
)

func (s *Server) routeLookBack(mux *routes) {
	mux.HandleFunc("GET /look-back", s.onceRead(s.lookBack))
	mux.to(auth.Service, "POST /look-back", s.decide)
	mux.HandleFunc("GET /api/v1/look-back", s.onceRead(s.getLookBack))
}

// questionOf reads a question about splices; days count from their beginning to their
// end.
func (s *Server) questionOf(v url.Values) (lookback.Question, *drift.Problem) {
	q := lookback.Question{Machine: strings.TrimSpace(v.Get("machine")), Job: strings.TrimSpace(v.Get("job"))}
	for name, at := range map[string]*drift.Opt[time.Time]{"from": &q.From, "to": &q.To} {
		text := strings.TrimSpace(v.Get(name))
		if text == "" {
			continue
		}
		t, err := time.Parse(time.RFC3339, text)
		if day, wrong := time.ParseInLocation(time.DateOnly, text, s.Now().Location()); wrong == nil {
			if t, err = day, nil; name == "to" {
				t = day.AddDate(0, 0, 1)
			}
		}
		if err != nil {
			return q, &drift.Problem{Field: name, Value: text, Reason: "must be a day like 2026-03-02 or a time like 2026-03-02T07:45:00Z"}
		}
		*at = drift.Some(t)
	}
	return q, problemOf(q.Check())
}

// getLookBack answers which splices to doubt, an object.
func (s *Server) getLookBack(w http.ResponseWriter, r *http.Request) {
	q, problem := s.questionOf(r.URL.Query())
	if problem != nil {
		refuse(w, http.StatusBadRequest, problem)
		return
	}
	report, err := s.LookBack(q)
	switch {
	case errors.As(err, &problem):
		refuse(w, http.StatusNotFound, problem)
	case err != nil:
		s.fail(w, fmt.Errorf("web: looking back: %w", err))
	default:
		answer(w, http.StatusOK, report)
	}
}

// doubtedView is one entry of a look-back on the page.
type doubtedView struct {
	lookback.Entry
	ID, Where, Day, Number, Out, Chance, Found, Reopened, Decided string
}

type lookBackView struct {
	Query          lookback.Question
	From, To       string
	Asked          bool
	Groups         []doubtedGroup
	Jobs, MoreJobs []lookback.Job
	Warnings       []string
	MayDecide      bool
	Pressed        string
	Answered
}

type doubtedGroup struct {
	Word, Hint string
	Decide     bool
	Entries    []doubtedView
	All        int
}

// How many jobs stand open on the page, the others folded, and how many entries of a
// group it shows, the worst.
const (
	mostJobs    = 6
	mostDoubted = 60
)

// lookBack shows which splices to doubt.
func (s *Server) lookBack(w http.ResponseWriter, r *http.Request) {
	done := ""
	if r.URL.Query().Get("done") != "" {
		done = "Decided and kept. The list below follows within some minutes."
	}
	s.showLookBack(w, r, http.StatusOK, Answered{Done: done})
}

func (s *Server) showLookBack(w http.ResponseWriter, r *http.Request, status int, answered Answered) {
	v := r.URL.Query()
	q, problem := s.questionOf(v)
	view := lookBackView{Query: q, From: v.Get("from"), To: v.Get("to"), Asked: q != lookback.Question{}, Answered: answered, MayDecide: s.mayDecide(r), Pressed: s.Now().Format(time.RFC3339)}
	if problem == nil {
		report, err := s.LookBack(q)
		if err != nil && !errors.As(err, &problem) {
			s.fail(w, fmt.Errorf("web: looking back: %w", err))
			return
		}
		view.Warnings, view.Jobs = report.Warnings, report.Jobs
		if len(view.Jobs) > mostJobs {
			view.Jobs, view.MoreJobs = view.Jobs[:mostJobs], view.Jobs[mostJobs:]
		}
		view.Groups = s.doubted(report.Entries)
	}
	if problem != nil {
		view.Problem, status = phrase.Sentence(problem.Error())+".", http.StatusBadRequest
	}
	s.render(w, "lookback", page{Title: "Look-back", Here: "/look-back", Status: status, Body: view})
}

// mayDecide says whether whoever asks may decide.
func (s *Server) mayDecide(r *http.Request) bool { return passOf(r).Role.May(auth.Service) }

// doubted groups the entries by what is to be done about them, each worst first.
func (s *Server) doubted(all []lookback.Entry) []doubtedGroup {
	groups := []doubtedGroup{
		{Word: "To decide", Hint: "Somebody decides for each: accept with a reason, measure again, or redo.", Decide: true},
		{Word: "To measure again", Hint: "A task. When it is done, accept with the result as the reason, or redo.", Decide: true},
		{Word: "To redo", Hint: "A task. When it is done, accept with a reason that says so.", Decide: true},
		{Word: "Accepted", Hint: "Decided, with the reason."},
		{Word: "Not likely out", Hint: fmt.Sprintf("The chance is below %.0f %%: nobody has to decide.", 100*lookback.OpenFrom)},
	}
	for i := range all {
		e := &all[i]
		at := 4
		switch {
		case e.Open:
			at = 0
		case e.Decision == nil:
		case e.Decision.Verdict == drift.Remeasure:
			at = 1
		case e.Decision.Verdict == drift.Redo:
			at = 2
		default:
			at = 3
		}
		groups[at].All++
		if g := &groups[at]; len(g.Entries) < mostDoubted {
			g.Entries = append(g.Entries, s.doubtedView(e))
		}
	}
	return slices.DeleteFunc(groups, func(g doubtedGroup) bool { return len(g.Entries) == 0 })
}

func (s *Server) doubtedView(e *lookback.Entry) doubtedView {
	v := doubtedView{Entry: *e, ID: "e-" + strings.Join([]string{e.Machine, e.Day, url.QueryEscape(e.Job)}, "-"), Where: or(e.Job, "no job named"), Day: e.Day}
	if day, err := time.Parse(time.DateOnly, e.Day); err == nil {
		v.Day = phrase.Date(day)
	}
	v.Number = phrase.Count(e.Splices, "splice")
	if !e.Counted {
		v.Number = "about " + v.Number + " (estimated from arcs)"
	}
	v.Out = fmt.Sprintf("%.0f likely out, between %d and %d", e.Out.Mean, e.Out.Low, e.Out.High)
	v.Chance = fmt.Sprintf("%.0f %%", 100*e.Chance)
	if l := e.Loss; l != nil {
		v.Found = fmt.Sprintf("Loss of %s: mean %.2f dB, worst %.2f dB; %d from both ends, %d estimated by the machine.", phrase.Count(l.Measured, "splice"), l.Mean, l.Worst, l.BothWays, l.Estimated)
		if before, known := e.Before.Get(); known {
			v.Found += fmt.Sprintf(" Without that the chance was %.0f %%.", 100*before)
		}
	}
	if o := e.Reopened; o != nil {
		v.Reopened = fmt.Sprintf("Open again: later records changed the chance from %.0f %% to %.0f %%.", 100*o.Was, 100*o.Is)
	}
	if d := e.Decision; d != nil {
		who := or(strings.Join(slices.DeleteFunc([]string{d.By, d.Role}, func(t string) bool { return t == "" }), ", "), "nobody named")
		v.Decided = fmt.Sprintf("%s, %s (%s)", phrase.Sentence(string(d.Verdict)), s.wall(d.Time), who)
		if d.Reason != "" {
			v.Decided += ": " + d.Reason
		}
	}
	return v
}

// decide takes a decision as a record and shows the list again.
func (s *Server) decide(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	typed := r.PostForm
	v := url.Values{"type": {string(drift.TypeDecision)}, "time": {s.happened(typed).Format(time.RFC3339)}}
	for _, name := range []string{"machine", "job", "day", "verdict", "reason", "operator", "chance_out"} {
		v.Set(name, typed.Get(name))
	}
	if role := passOf(r).Role; role != "" {
		v.Set("role", string(role))
	}
	record, err := wire.Form(v)
	problem := problemOf(err)
	if problem == nil && record.Operator == "" {
		problem = &drift.Problem{Field: "operator", Reason: "is missing: say who decides"}
	}
	if problem == nil {
		var receipts []intake.Receipt
		if receipts, err = s.offer(r, []intake.Submission{{Raw: []byte(v.Encode()), Record: record, Via: "form"}}); err != nil {
			s.cannotTake(err)
			w.Header().Set("Retry-After", retryAfter)
			s.showLookBack(w, r, http.StatusServiceUnavailable, Answered{NotKept: true})
			return
		}
		problem = receipts[0].Refused
	}
	if problem != nil {
		s.showLookBack(w, r, http.StatusBadRequest, Answered{Problem: phrase.Sentence(problem.Error()) + "."})
		return
	}
	query := r.URL.Query()
	query.Set("done", string(record.Decision.Verdict))
	http.Redirect(w, r, "/look-back?"+query.Encode(), http.StatusSeeOther)
}

// doubtedLine says for the board and the morning list how many look-backs wait for a
// decision, "" for none.
func (s *Server) doubtedLine() string {
	report, _ := s.OpenLookBacks()
	open, splices, oldest := report.Waiting()
	if open == 0 {
		return ""
	}
	return fmt.Sprintf("Splices to decide on: %s of one machine and job, %.0f splices likely made out of tolerance, the oldest of %s.", phrase.Count(open, "day"), splices, oldest)
}
