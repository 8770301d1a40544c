package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/agent/auth"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
)

func (s *Server) routeLookBack(mux *routes) {
	mux.HandleFunc("GET /look-back", onceRead((*Server).lookBack))
	mux.to(auth.Service, "POST /look-back", (*Server).decide)
	mux.HandleFunc("GET /api/v1/look-back", onceRead((*Server).getLookBack))
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
	report, err := s.LookBack(s.part, q)
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
	// Form decides on it alone, nil where nobody has to.
	Form *decideView
}

type lookBackView struct {
	Query          lookback.Question
	From, To       string
	Asked          bool
	Groups         []doubtedGroup
	Job            *decideView // for all that waits of the job asked about
	Jobs, MoreJobs []lookback.Job
	Warnings       []string
	MayDecide      bool
	// Part says which findings of how many the page shows, "" where it shows all; Before
	// and After lead to the others.
	Part, Before, After string
	Answered
}

// doubtedGroup holds the spans in which the same is to be done, worst first.
type doubtedGroup struct {
	Word, Hint string
	Spans      []spanView
	All        int
	spans      []*lookback.Span
}

// spanView is one finding: a machine and the time from the last point known good.
type spanView struct {
	ID, Machine, Summary, Found, Next string
	// Form decides for all entries that wait, nil where none does.
	Form *decideView
	// Entries are empty where they are on a page of their own, which Link leads to.
	Entries []doubtedView
	Link    string
	All     int
	Typed   bool // its entries stand open: they were asked for, or a form was refused
}

// How many jobs stand open on the page, the others folded; how many spans it shows; how
// many entries of a span, the worst. Where a report has more entries than that, only those
// of one finding are shown.
const (
	mostJobs    = 6
	mostSpans   = 15
	mostDoubted = 40
)

// part is what is asked for of a long report: a finding by its name, or a page from 0.
type part struct {
	finding string
	page    int
}

// lookBack shows which splices to doubt.
func (s *Server) lookBack(w http.ResponseWriter, r *http.Request) {
	done := ""
	if n, err := strconv.Atoi(r.URL.Query().Get("done")); err == nil && n > 0 {
		done = phrase.Count(n, "decision") + " kept. The list below follows within some minutes."
	}
	s.showLookBack(w, r, http.StatusOK, Answered{Done: done}, nil)
}

// showLookBack shows the page. typed is a form that was refused, nil for none: what was
// typed stays in it.
func (s *Server) showLookBack(w http.ResponseWriter, r *http.Request, status int, answered Answered, typed url.Values) {
	v := r.URL.Query()
	q, problem := s.questionOf(v)
	view := lookBackView{Query: q, From: v.Get("from"), To: v.Get("to"), Asked: q != lookback.Question{}, Answered: answered, MayDecide: s.mayDecide(r)}
	if problem == nil {
		report, err := s.LookBack(s.part, q)
		if err != nil && !errors.As(err, &problem) {
			s.fail(w, fmt.Errorf("web: looking back: %w", err))
			return
		}
		view.Warnings, view.Jobs = report.Warnings, report.Jobs
		if len(view.Jobs) > mostJobs {
			view.Jobs, view.MoreJobs = view.Jobs[:mostJobs], view.Jobs[mostJobs:]
		}
		at := part{finding: v.Get("finding")}
		at.page, _ = strconv.Atoi(v.Get("page"))
		view.show(&report, &decisions{may: view.MayDecide, typed: typed, pressed: s.Now().Format(time.RFC3339)}, s.wall, at)
	}
	if problem != nil {
		view.Problem, status = phrase.Sentence(problem.Error())+".", http.StatusBadRequest
	}
	s.render(w, "lookback", page{Title: "Look-back", Here: "/look-back", Status: status, Body: view})
}

// mayDecide says whether whoever asks may decide.
func (s *Server) mayDecide(r *http.Request) bool { return passOf(r).Role.May(auth.Service) }

// show groups the entries by finding, and the findings by what is to be done.
func (v *lookBackView) show(report *lookback.Report, d *decisions, wall func(time.Time) string, at part) {
	of := map[string][]*lookback.Entry{}
	var open []*lookback.Entry
	for i := range report.Entries {
		e := &report.Entries[i]
		of[e.Span] = append(of[e.Span], e)
		if e.Open {
			open = append(open, e)
		}
	}
	if v.Query.Job != "" && len(open) > 1 {
		v.Job = d.form("job", open)
	}
	groups := groupsOf(report, of)
	found, place := 0, 0
	for g := range groups {
		for _, s := range groups[g].spans {
			if s.Name == at.finding {
				at.page = found / mostSpans
			}
			found++
		}
	}
	at.page = min(max(at.page, 0), max(found-1, 0)/mostSpans)
	for g := range groups {
		for _, s := range groups[g].spans {
			if place++; (place-1)/mostSpans != at.page {
				continue
			}
			one := d.span(s, of[s.Name], wall, s.Name == at.finding || len(report.Entries) <= mostDoubted)
			one.Link, one.Typed = v.link("finding", s.Name)+"#"+one.ID, one.Typed || s.Name == at.finding
			groups[g].Spans = append(groups[g].Spans, one)
		}
	}
	if found > mostSpans {
		v.pages(at.page, found)
	}
	v.Groups = slices.DeleteFunc(groups, func(g doubtedGroup) bool { return len(g.Spans) == 0 })
}

// groupsOf puts the findings that have entries where they belong, worst first.
func groupsOf(report *lookback.Report, of map[string][]*lookback.Entry) []doubtedGroup {
	groups := []doubtedGroup{
		{Word: "To decide", Hint: "Somebody decides: accept with a reason, measure again, or redo. One decision may hold for a whole span, or for each day and job alone."},
		{Word: "To measure again", Hint: "Tasks. When they are done, accept with the result as the reason, or redo."},
		{Word: "To redo", Hint: "Tasks. When they are done, accept with a reason that says so."},
		{Word: "Nothing to decide", Hint: fmt.Sprintf("Accepted, or the chance is below %.0f %%, or nothing was found out about that time.", 100*lookback.OpenFrom)},
	}
	spans := slices.Clone(report.Spans)
	slices.SortStableFunc(spans, worstSpan)
	for i := range spans {
		if all := of[spans[i].Name]; len(all) > 0 {
			g := &groups[toDo(all)]
			g.All++
			g.spans = append(g.spans, &spans[i])
		}
	}
	return groups
}

// link leads to the same question with one word more.
func (v *lookBackView) link(name, value string) string {
	q := url.Values{}
	for key, text := range map[string]string{"machine": v.Query.Machine, "job": v.Query.Job, "from": v.From, "to": v.To} {
		if text != "" {
			q.Set(key, text)
		}
	}
	q.Set(name, value)
	return "/look-back?" + q.Encode()
}

// pages says which findings are shown, and leads to those before and after.
func (v *lookBackView) pages(page, found int) {
	last := min((page+1)*mostSpans, found)
	v.Part = fmt.Sprintf("Findings %d to %d of %d, the worst first.", page*mostSpans+1, last, found)
	if page > 0 {
		v.Before = v.link("page", strconv.Itoa(page-1))
	}
	if last < found {
		v.After = v.link("page", strconv.Itoa(page+1))
	}
}

func worstSpan(a, b lookback.Span) int {
	return cmp.Or(cmp.Compare(b.Waiting.Out.Mean, a.Waiting.Out.Mean), cmp.Compare(b.All.Out.Mean, a.All.Out.Mean))
}

// toDo says what is to be done about entries: 0 decide, 1 measure again, 2 redo, 3 nothing.
func toDo(all []*lookback.Entry) int {
	at := 3
	for _, e := range all {
		switch {
		case e.Open:
			return 0
		case e.Decision == nil:
		case e.Decision.Verdict == drift.Remeasure:
			at = min(at, 1)
		case e.Decision.Verdict == drift.Redo:
			at = min(at, 2)
		}
	}
	return at
}

// span shows one finding: what waits first. Its entries are shown if told.
func (d *decisions) span(s *lookback.Span, all []*lookback.Entry, wall func(time.Time) string, entries bool) spanView {
	v := spanView{ID: "s-" + url.QueryEscape(s.Name), Machine: s.Machine, Summary: s.Summary, Found: s.Good, Next: s.Next, All: len(all)}
	if s.Found != "" {
		v.Found = s.Found + " " + s.Good
	}
	slices.SortStableFunc(all, func(a, b *lookback.Entry) int {
		return cmp.Compare(toDo([]*lookback.Entry{a}), toDo([]*lookback.Entry{b}))
	})
	first := toDo(all[:1])
	same := slices.DeleteFunc(slices.Clone(all), func(e *lookback.Entry) bool { return first == 3 || toDo([]*lookback.Entry{e}) != first })
	if len(same) > 0 {
		v.Form = d.form(v.ID, same)
		v.Typed = v.Form != nil && v.Form.Open
	}
	if !entries {
		return v
	}
	for i, e := range all[:min(len(all), mostDoubted)] {
		one := doubtOf(e, wall)
		if toDo(all[i:i+1]) < 3 && !(len(same) == 1 && same[0] == e) {
			one.Form = d.form(one.ID, all[i:i+1])
			v.Typed = v.Typed || one.Form != nil && one.Form.Open
		}
		v.Entries = append(v.Entries, one)
	}
	return v
}

// doubtOf shows one entry.
func doubtOf(e *lookback.Entry, wall func(time.Time) string) doubtedView {
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
		v.Decided = fmt.Sprintf("%s, %s (%s)", phrase.Sentence(string(d.Verdict)), wall(d.Time), who)
		if d.Reason != "" {
			v.Decided += ": " + d.Reason
		}
	}
	return v
}

// doubtedLines say for the board and the morning list which findings wait for a decision,
// one line each, the worst first; none for nothing.
func (s *Server) doubtedLines() []string {
	report, _ := s.OpenLookBacks()
	waiting := report.Waiting()
	if len(waiting) == 0 {
		return nil
	}
	_, oldest := report.OpenSpans()
	lines := []string{fmt.Sprintf("Splices to decide on: %s, the oldest of %s.", phrase.Count(len(waiting), "finding"), s.wall(oldest))}
	for _, span := range waiting[:min(len(waiting), mostLines)] {
		lines = append(lines, span.Summary)
	}
	if more := len(waiting) - mostLines; more > 0 {
		lines = append(lines, fmt.Sprintf("%d more on the look-back page.", more))
	}
	return lines
}

// mostLines is how many findings the board and the morning list name.
const mostLines = 8
