package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// perPage is how many machines a page of the board shows: what a person reads
// before turning to search.
const perPage = 20

// filter is what the board shows, kept whole in the link.
type filter struct {
	Query, Model, Site string
	State              advise.State
	Days, Page         int
}

func filterOf(v url.Values) filter {
	f := filter{
		Query: strings.TrimSpace(v.Get("q")), Model: v.Get("model"), Site: v.Get("site"),
		State: advise.State(v.Get("state")), Page: 1,
	}
	if !slices.Contains(advise.States(), f.State) {
		f.State = ""
	}
	f.Days = daysOf(v, defaultSpan)
	if n, err := strconv.Atoi(v.Get("page")); err == nil && n > 0 && n < 1_000_000 {
		f.Page = n
	}
	return f
}

// daysOf is the time range in a link, if it is one to choose from.
func daysOf(v url.Values, otherwise int) int {
	n, err := strconv.Atoi(v.Get("days"))
	if _, ok := spanOf(n); err != nil || !ok {
		return otherwise
	}
	return n
}

// Narrowed says whether the folded part of the filter is in use.
func (v boardView) Narrowed() bool {
	return v.Filter.Model != "" || v.Filter.Site != "" || v.Filter.Days != defaultSpan
}

// Narrows says whether anything is left out.
func (f filter) Narrows() bool {
	return f.Query != "" || f.Model != "" || f.Site != "" || f.State != ""
}

// link is the board with this filter.
func (f filter) link() string {
	v := url.Values{}
	for name, text := range map[string]string{"q": f.Query, "model": f.Model, "site": f.Site, "state": string(f.State)} {
		if text != "" {
			v.Set(name, text)
		}
	}
	if f.Days != defaultSpan {
		v.Set("days", strconv.Itoa(f.Days))
	}
	if f.Page > 1 {
		v.Set("page", strconv.Itoa(f.Page))
	}
	if len(v) == 0 {
		return "/"
	}
	return "/?" + v.Encode()
}

// keeps says whether the machine passes every part of the filter but the state.
func (f filter) keeps(m *Machine) bool {
	return (f.Query == "" || strings.Contains(strings.ToLower(m.Machine), strings.ToLower(f.Query))) &&
		(f.Model == "" || f.Model == label(m.Model)) && (f.Site == "" || f.Site == m.Site)
}

func label(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

type boardView struct {
	Filter         filter
	Spans          []span
	All            stateCount
	Counts         []stateCount
	Models, Sites  []string
	Summary, Scale string
	Asked          string
	First          int
	Rows           []boardRow
	Empty          string
	Before, After  string
	Withheld       []string // alert rules that are not sent
	Doubted        []string // splices that wait for a decision
	Shown          string
	total          int
	Reading        bool     // nothing is known yet
	Broken         []string // connections to elsewhere, and why
}

type stateCount struct {
	State      advise.State
	Word, Link string
	Count      int
	Chosen     bool
}

type boardRow struct {
	Machine, Link, Where, Next, Why string
	State                           advise.State
	Age                             ageView
	Panels                          []panel
	Asked                           string // how many questions its records leave open
}

// partial is the version of a board whose drawings are not all there: the next
// look is another one.
const partial = `W/"partial"`

func (s *Server) board(w http.ResponseWriter, r *http.Request) {
	machines, version := s.Fleet.Board()
	tag := s.tag(version)
	if unchanged(w, r, tag) {
		return
	}
	f := filterOf(r.URL.Query())
	view, shown := boardOf(machines, f, s.Now())
	view.Withheld, view.Broken, view.Doubted = s.withheld(), s.Links(), s.doubtedLines()
	if view.Reading = s.reading(); view.Reading {
		view.Empty = "The agent is still reading its records. The machines appear here in a moment."
	}
	waiting, stop := context.WithTimeout(r.Context(), patience)
	defer stop()
	traces, whole, err := s.traces.soon(waiting, assessmentsOf(shown)...)
	if err != nil {
		s.fail(w, err)
		return
	}
	if !whole {
		tag = partial
	}
	view.addTrends(traces, s.Now())
	s.render(w, "board", page{Title: "Fleet", Here: "/", Tag: tag, Body: view})
}

// boardOf picks, counts and words the machines of one page, and returns those
// shown beside the view.
func boardOf(machines []Machine, f filter, now time.Time) (boardView, []*Machine) {
	view := boardView{Filter: f, Spans: spans[:]}
	counts, asked := map[advise.State]int{}, 0
	models, sites := map[string]bool{}, map[string]bool{}
	var kept []*Machine
	for i := range machines {
		m := &machines[i]
		models[label(m.Model)], sites[m.Site] = true, true
		if !f.keeps(m) {
			continue
		}
		counts[m.State]++
		if len(m.Questions) > 0 {
			asked++
		}
		view.total++
		if f.State == "" || f.State == m.State {
			kept = append(kept, m)
		}
	}
	view.Models, view.Sites = namesOf(models), namesOf(sites)
	if asked > 0 {
		view.Asked = phrase.Count(asked, "machine") + " with questions about the records. Answer them on the machine's page."
	}
	view.countStates(counts, f)
	shown := view.turnTo(kept, f)
	for _, m := range shown {
		row := rowOf(m, now)
		row.Link += "?" + url.Values{"days": {strconv.Itoa(f.Days)}}.Encode() // the same time range there
		view.Rows = append(view.Rows, row)
	}
	return view, shown
}

func assessmentsOf(machines []*Machine) []*advise.Assessment {
	var out []*advise.Assessment
	for _, m := range machines {
		out = append(out, &m.Assessment)
	}
	return out
}

func (v *boardView) countStates(counts map[advise.State]int, f filter) {
	whole := f
	whole.Page, whole.State = 1, ""
	v.All = stateCount{Count: v.total, Link: whole.link(), Chosen: f.State == ""}
	for _, state := range advise.States() {
		one := whole
		one.State = state
		v.Counts = append(v.Counts, stateCount{State: state, Word: phrase.State(state), Count: counts[state], Link: one.link(), Chosen: f.State == state})
	}
}

// turnTo cuts out the page of the filter and words that it shows.
func (v *boardView) turnTo(kept []*Machine, f filter) []*Machine {
	last := max(1, (len(kept)+perPage-1)/perPage)
	f.Page = min(f.Page, last)
	from := (f.Page - 1) * perPage
	to := min(from+perPage, len(kept))
	v.First = from + 1
	v.Summary = phrase.Count(len(kept), "machine") + ", most urgent first."
	v.Shown = fmt.Sprintf("%d to %d of %d", from+1, to, len(kept))
	if f.Page > 1 {
		before := f
		before.Page--
		v.Before = before.link()
	}
	if f.Page < last {
		after := f
		after.Page++
		v.After = after.link()
	}
	v.Empty = "No machine matches the search."
	if v.total == 0 && !f.Narrows() {
		v.Empty = "No records yet. Log a calibration, import a file, or let a machine publish. Machines appear here automatically."
	}
	return kept[from:to]
}

func rowOf(m *Machine, now time.Time) boardRow {
	row := boardRow{
		Machine: m.Machine, Link: machineLink(m.Machine), State: m.State,
		Where: phrase.Beside(label(m.Model), m.Site), Next: m.Assessment.NextStep(now), Age: ageOf(m.Data.Last, now),
	}
	if n := len(m.Questions); n > 0 {
		row.Asked = phrase.Count(n, "question") + " about its records"
	}
	if len(m.Reasons) > 0 {
		row.Why = m.Reasons[0]
	}
	return row
}

func machineLink(machine string) string { return "/machines/" + url.PathEscape(machine) }

func namesOf(set map[string]bool) []string {
	var names []string
	for name := range set {
		if name != "" {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}
