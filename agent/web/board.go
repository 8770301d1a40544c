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

// How many machines a page of the list shows: of cards as many as a person reads before
// turning to search, of the table what fills a large screen three times.
const (
	perPage      = 20
	perTablePage = 90
)

// filter is what the list shows and how, kept whole in the link.
type filter struct {
	period
	Query, Model, Site, Depot string
	State                     advise.State
	Sort                      order
	// Table is a line for each machine in the place of a card.
	Table bool
	Page  int
}

func filterOf(v url.Values) filter {
	f := filter{
		period: periodOf(v), Query: strings.TrimSpace(v.Get("q")), Model: v.Get("model"), Site: v.Get("site"), Depot: v.Get("depot"),
		State: advise.State(v.Get("state")), Sort: order(v.Get("sort")), Table: v.Get("view") == "table", Page: 1,
	}
	if !slices.Contains(advise.States(), f.State) {
		f.State = ""
	}
	if !slices.Contains(orders[:], f.Sort) {
		f.Sort = byUrgency
	}
	if n, err := strconv.Atoi(v.Get("page")); err == nil && n > 0 && n < 1_000_000 {
		f.Page = n
	}
	return f
}

// Narrowed says whether the folded part of the filter is in use.
func (v boardView) Narrowed() bool {
	f := v.Filter
	return f.Model != "" || f.Site != "" || f.Depot != "" || f.Days != defaultDays
}

// Narrows says whether anything is left out.
func (f filter) Narrows() bool {
	return f.Query != "" || f.Model != "" || f.Site != "" || f.Depot != "" || f.State != ""
}

// values are those of a link to the list with this filter.
func (f filter) values() url.Values {
	v := url.Values{}
	for name, text := range map[string]string{"q": f.Query, "model": f.Model, "site": f.Site, "depot": f.Depot, "state": string(f.State), "sort": string(f.Sort)} {
		if text != "" {
			v.Set(name, text)
		}
	}
	if f.Table {
		v.Set("view", "table")
	}
	f.set(v)
	if f.Page > 1 {
		v.Set("page", strconv.Itoa(f.Page))
	}
	return v
}

// link is the list with this filter.
func (f filter) link() string { return withQuery("/machines", f.values()) }

// overviewLink is the overview of the same machines.
func (f filter) overviewLink() string {
	a := overviewAsk{period: f.period}
	a.Only.Model, a.Only.Site, a.Only.Depot = f.Model, f.Site, f.Depot
	return a.link()
}

func label(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

type boardView struct {
	Filter                filter
	Periods, Sorts, Views []choice
	All                   stateCount
	Counts                []stateCount
	Models, Sites, Depots []string
	Summary, Scale        string
	Asked                 string
	First                 int
	Rows                  []boardRow
	Empty                 string
	Before, After         string
	CSV, Overview         string
	Withheld              []string // alert rules that are not sent
	Doubted               []string // splices that wait for a decision
	Shown                 string
	total                 int
	Reading               bool     // nothing is known yet
	Broken                []string // connections to elsewhere, and why
}

type stateCount struct {
	State      advise.State
	Word, Link string
	Count      int
	Chosen     bool
}

type boardRow struct {
	Machine, Link, Where, Next, Why string
	Model, Site, Depot              string
	State                           advise.State
	Age                             ageView
	DueBy, Left                     string
	Panels                          []panel
	Asked                           string // how many questions its records leave open
}

// partial is the version of a board whose drawings are not all there: the next
// look is another one.
const partial = `W/"partial"`

func (s *Server) board(w http.ResponseWriter, r *http.Request) {
	b := s.Fleet.Board()
	tag := s.tag(b.version)
	if unchanged(w, r, tag) {
		return
	}
	f := filterOf(r.URL.Query())
	view, shown := boardOf(b, f, s.Now())
	view.Withheld, view.Broken, view.Doubted = s.withheld(), s.Links(), s.doubtedLines()
	if view.Reading = s.reading(); view.Reading {
		view.Empty = "The agent is still reading its records. The machines appear here in a moment."
	}
	if !f.Table {
		waiting, stop := context.WithTimeout(r.Context(), patience)
		defer stop()
		traces, whole, err := s.traces.soon(waiting, assessmentsOf(shown)...)
		if err != nil { // who must not leave the yard matters more than the drawings
			s.Log.Error("the drawings of the machines are left out", "error", err)
		}
		if !whole {
			tag = partial
		}
		view.addTrends(traces, s.Now())
	}
	s.render(w, "board", page{Title: "Machines", Here: "/machines", Tag: tag, Wide: true, Body: view})
}

// boardOf picks, counts and words the machines of one page, and returns those
// shown beside the view.
func boardOf(b *Board, f filter, now time.Time) (boardView, []*Machine) {
	view := boardView{Filter: f}
	c, counts := b.columns(), b.count(b.passing(f))
	view.total = counts.all()
	view.Models, view.Sites, view.Depots = c.models.named(), c.sites.named(), c.depots.named()
	if counts.asks > 0 {
		view.Asked = phrase.Count(counts.asks, "machine") + " with questions about the records. Answer them on the machine's page."
	}
	view.countStates(&counts, f)
	view.addChoices(f)
	shown := view.turnTo(b, f)
	for _, m := range shown {
		row := rowOf(m, now)
		row.Link += f.machineQuery()
		view.Rows = append(view.Rows, row)
	}
	return view, shown
}

func assessmentsOf(machines []*Machine) []*advise.Assessment {
	var out []*advise.Assessment
	for _, m := range machines {
		out = append(out, m.Assessment)
	}
	return out
}

func (v *boardView) countStates(counts *tally, f filter) {
	whole := f
	whole.Page, whole.State = 1, ""
	v.All = stateCount{Count: v.total, Link: whole.link(), Chosen: f.State == ""}
	for _, state := range advise.States() {
		one := whole
		one.State = state
		v.Counts = append(v.Counts, stateCount{State: state, Word: phrase.State(state), Count: counts.of(state), Link: one.link(), Chosen: f.State == state})
	}
}

// addChoices adds the links to other ranges, orders and forms of the same list.
func (v *boardView) addChoices(f filter) {
	f.Page = 1
	v.Periods = f.choices(func(p period) string {
		next := f
		next.period = p
		return next.link()
	})
	for _, o := range orders {
		next := f
		next.Sort = o
		v.Sorts = append(v.Sorts, choice{o.words(), next.link(), o == f.Sort})
	}
	for _, one := range []struct {
		word  string
		table bool
	}{{"cards", false}, {"table", true}} {
		next := f
		next.Table = one.table
		v.Views = append(v.Views, choice{one.word, next.link(), one.table == f.Table})
	}
	v.CSV, v.Overview = withQuery("/machines.csv", f.values()), f.overviewLink()
}

// turnTo cuts out the page of the filter and words that it shows.
func (v *boardView) turnTo(b *Board, f filter) []*Machine {
	kept := slices.Collect(b.kept(f))
	each := perPage
	if f.Table {
		each = perTablePage
	}
	last := max(1, (len(kept)+each-1)/each)
	f.Page = min(f.Page, last)
	from := (f.Page - 1) * each
	to := min(from+each, len(kept))
	v.First = from + 1
	v.Summary = phrase.Count(len(kept), "machine") + ", " + f.Sort.words() + "."
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
	shown := make([]*Machine, 0, each)
	for _, i := range kept[from:to] {
		shown = append(shown, &b.machines()[i])
	}
	return shown
}

func rowOf(m *Machine, now time.Time) boardRow {
	row := boardRow{
		Machine: m.Machine, Link: machineLink(m.Machine), State: m.State,
		Model: label(m.Model), Site: m.Site, Depot: m.Settings.Depot, Where: phrase.Beside(label(m.Model), m.Site), DueBy: dueWord(m), Left: leftWord(m.Assessment), Next: m.Assessment.NextStep(now), Age: ageOf(m.Data.Last, now),
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
