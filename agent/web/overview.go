package web

import (
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"sync"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/health"
	"arcdrift/drift/phrase"
)

// mostNeedy is how many machines that need somebody the overview shows on top.
const mostNeedy = 6

// mostGroups is how many groups the overview shows. The CSV has all.
const mostGroups = 500

// overviewAsk is what the overview is asked for, kept whole in every link of the page.
type overviewAsk struct {
	period
	Only health.Labels
	By   health.By
}

func overviewOf(v url.Values) overviewAsk {
	a := overviewAsk{period: periodOf(v), By: health.By(v.Get("by"))}
	if !slices.Contains(health.Groupings(), a.By) {
		a.By = health.Whole
	}
	for by, to := range a.labels() {
		*to = v.Get(string(by))
	}
	return a
}

// labels are the parts of the filter by the name that they have in a link.
func (a *overviewAsk) labels() map[health.By]*string {
	return map[health.By]*string{
		health.ByModel: &a.Only.Model, health.BySite: &a.Only.Site, health.ByDepot: &a.Only.Depot,
		health.ByCleaver: &a.Only.Cleaver, health.ByPair: &a.Only.Pair, health.ByMachine: &a.Only.Machine,
	}
}

// Narrows says whether anything is left out.
func (a overviewAsk) Narrows() bool { return a.Only != health.Labels{} }

// values are those of a link to this page.
func (a overviewAsk) values() url.Values {
	v := url.Values{}
	for by, text := range a.labels() {
		if *text != "" {
			v.Set(string(by), *text)
		}
	}
	if a.By != health.Whole {
		v.Set("by", string(a.By))
	}
	a.set(v)
	return v
}

func (a overviewAsk) link() string { return withQuery("/", a.values()) }

// listLink is the list of the machines that the filter leaves, with the same range. The
// list knows no cleaver and no pair.
func (a overviewAsk) listLink(state advise.State) string {
	f := filter{period: a.period, Query: a.Only.Machine, Model: a.Only.Model, Site: a.Only.Site, Depot: a.Only.Depot, State: state, Page: 1}
	return f.link()
}

func withQuery(path string, v url.Values) string {
	if len(v) == 0 {
		return path
	}
	return path + "?" + v.Encode()
}

type overviewView struct {
	Ask      overviewAsk
	Broken   []string
	Reading  bool
	Empty    string
	Withheld []string
	Doubted  []string
	// Counts are the machines by state now, All their sum; Needy are those to look at.
	All        stateCount
	Counts     []stateCount
	Needy      []boardRow
	NeedyRest  int
	NeedyLink  string
	Periods    []choice
	From, To   string
	Filters    []overviewFilter
	Plots      []*plot
	Table      *plotTable
	GroupName  string
	Groups     []groupRow
	GroupsRest int // groups that are left out
	CSV        string
	Progress   string
	Cautions   bool
	RangeWords string
}

type overviewFilter struct {
	Name, Word string
	Chosen     string
	Values     []string
	Many       bool // too many values to offer: it is typed
}

// groupRow is one group of the overview.
type groupRow struct {
	Name, Link, List                            string
	Machines                                    int
	Bar                                         []barPart
	BarWord                                     string
	FirstTry, Failed, Checks, Services, Verdict string
}

type barPart struct {
	Kind    string
	X, Wide float64
}

// labelNames keeps the labels of a book until there is another: to find them takes a
// reading of the whole book.
type labelNames struct {
	mu      sync.Mutex
	version uint64
	names   map[health.By][]string
}

func (l *labelNames) of(b *health.Book, sees health.Sees) map[health.By][]string {
	if sees != nil {
		return b.Names(sees)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.names == nil || l.version != b.Version {
		l.version, l.names = b.Version, b.Names(nil)
	}
	return l.names
}

// counts asks the book for the whole and the groups of a question, these without their
// days if brief.
func (s *Server) counts(a overviewAsk, board *Board, now time.Time, brief bool) (b *health.Book, whole health.Group, groups []health.Group) {
	b = s.Days()
	from, to := a.days(now)
	q := health.Query{From: from, To: to, Only: a.Only, Today: health.DayOf(now), Now: board.present, Verdicts: s.verdicts(), Sees: s.sees(), By: a.By, Brief: brief}
	all, groups := b.Overview(q)
	if all != nil {
		whole = *all
	}
	return b, whole, groups
}

// sees says which machines' days the principal sees: those of a machine that came to it
// from another customer from the day after on.
func (s *Server) sees() health.Sees {
	if s.part == nil {
		return nil
	}
	return func(machine string) (health.Day, bool) {
		if !s.part.Has(machine) {
			return 0, false
		}
		since := s.part.Since(machine)
		if since.IsZero() {
			return 0, true
		}
		return health.DayOf(since) + 1, true
	}
}

// verdicts are the alerts of the bench's rules that ended with a finding that judges
// them.
func (s *Server) verdicts() []health.Verdict {
	var out []health.Verdict
	for _, o := range s.Ended() {
		if right, judged := o.Verdict(); judged && o.End != alert.Unannounced {
			out = append(out, health.Verdict{Machine: o.Subject, Day: health.DayOf(o.Ended), Right: right})
		}
	}
	return out
}

// overview is the page of the fleet's health: who needs somebody now, and how it was over
// time.
func (s *Server) overview(w http.ResponseWriter, r *http.Request) {
	board := s.Fleet.Board()
	tag := s.tag(board.version + s.Days().Version)
	if unchanged(w, r, tag) {
		return
	}
	now := s.Now()
	a := overviewOf(r.URL.Query())
	view := overviewView{Ask: a, Withheld: s.withheld(), Broken: s.Links(), Doubted: s.doubtedLines(), RangeWords: phrase.Sentence(a.Period())}
	if view.Reading = s.reading(); view.Reading {
		view.Empty = "The agent is still reading its records. The machines appear here in a moment."
	}
	view.addNow(board, a, now)
	b, whole, groups := s.counts(a, board, now, true)
	view.addFilters(a, s.labels.of(b, s.sees()))
	view.addCharts(a, b, whole, now)
	view.GroupsRest = max(0, len(groups)-mostGroups)
	for i := range groups[:len(groups)-view.GroupsRest] {
		view.Groups = append(view.Groups, rowOfGroup(a, &groups[i]))
	}
	view.GroupName = phrase.Sentence(byWord(a.By))
	s.render(w, "overview", page{Title: "Overview", Here: "/", Tag: tag, Wide: true, Scripts: []string{"chart.js"}, Body: view})
}

// addNow adds the machines as they are now: those that the filter leaves.
func (v *overviewView) addNow(b *Board, a overviewAsk, now time.Time) {
	passes := b.passing(filter{Model: a.Only.Model, Site: a.Only.Site, Depot: a.Only.Depot, Query: a.Only.Machine})
	counts := b.count(passes)
	for _, m := range b.first(mostNeedy, passes) {
		row := rowOf(m, now)
		row.Link += a.machineQuery()
		v.Needy = append(v.Needy, row)
		v.Cautions = v.Cautions || m.RequiresOpening()
	}
	v.All.Count, v.NeedyRest = counts.all(), counts.needy()-len(v.Needy)
	v.All.Link, v.NeedyLink = a.listLink(""), a.listLink("")
	for _, state := range advise.States() {
		v.Counts = append(v.Counts, stateCount{State: state, Word: phrase.State(state), Count: counts.of(state), Link: a.listLink(state)})
	}
	if b.rows.Len() == 0 && v.Empty == "" {
		v.Empty = "No records yet. Log a calibration, import a file, or let a machine publish. Machines appear here automatically."
	}
}

// machineQuery keeps the range in a link to a machine.
func (p period) machineQuery() string {
	v := url.Values{}
	p.set(v)
	return withQuery("", v)
}

// byWord names a grouping in a sentence.
func byWord(by health.By) string {
	if by == health.ByPair {
		return "pair lot"
	}
	return string(by)
}

func (v *overviewView) addFilters(a overviewAsk, names map[health.By][]string) {
	v.Periods = a.choices(func(p period) string {
		next := a
		next.period = p
		return next.link()
	})
	if a.Custom() {
		v.From, v.To = a.From.Format(time.DateOnly), a.To.Format(time.DateOnly)
	}
	chosen := a.labels()
	for _, by := range health.Groupings() {
		word := byWord(by)
		v.Filters = append(v.Filters, overviewFilter{Name: string(by), Word: phrase.Sentence(word), Chosen: *chosen[by], Values: offered(names[by]), Many: len(names[by]) > mostOffered})
	}
	v.CSV = withQuery("/overview.csv", a.values())
}

// rowOfGroup words one group.
func rowOfGroup(a overviewAsk, g *health.Group) groupRow {
	t := &g.Total
	row := groupRow{
		Name: advise.Unnamed(g.Name), FirstTry: shareOf(t.FirstTry, t.Sessions), Failed: shareOf(t.Failed, t.Tries),
		Services: phrase.Integer(t.Services), Verdict: shareOf(t.Right, t.Right+t.Wrong),
	}
	var checks advise.Tally
	for _, c := range t.Checks {
		checks.Owed += c.Owed
		checks.Kept += c.Kept
	}
	row.Checks = shareOf(checks.Kept, checks.Owed)
	if g.Name != "" {
		one := a
		*one.labels()[a.By] = g.Name
		one.By = health.Whole
		row.Link = one.link()
		if a.By != health.ByCleaver && a.By != health.ByPair {
			row.List = one.listLink("")
		}
	}
	if last, ok := g.Last(); ok {
		row.Machines = last.Machines()
		x := 0.0
		for i, state := range advise.States() {
			if n := last.States[i]; n > 0 {
				wide := 100 * float64(n) / float64(row.Machines)
				row.Bar = append(row.Bar, barPart{string(state), round(x), round(wide)})
				x += wide
				row.BarWord = joined(row.BarWord, fmt.Sprintf("%d %s", n, phrase.Code(state)))
			}
		}
	}
	return row
}

func joined(a, b string) string {
	if a == "" {
		return b
	}
	return a + ", " + b
}

// shareOf is a share with what it is of: 12 of 15 (80 %).
func shareOf(part, whole int) string {
	if whole == 0 {
		return phrase.Unknown
	}
	return fmt.Sprintf("%s of %s (%s)", phrase.Integer(part), phrase.Integer(whole), phrase.Unit(phrase.Fixed(100*float64(part)/float64(whole), 0), "%"))
}

// overviewCSV answers the numbers behind the charts of an overview, one row per day.
func (s *Server) overviewCSV(w http.ResponseWriter, r *http.Request) {
	now := s.Now()
	a := overviewOf(r.URL.Query())
	_, whole, groups := s.counts(a, s.Fleet.Board(), now, false)
	if a.By == health.Whole {
		groups = []health.Group{whole}
	}
	from, _ := a.days(now)
	head := []string{"day", "group"}
	for _, state := range advise.States() {
		head = append(head, string(state))
	}
	head = append(head, "pending", "calibrations", "first_try_passed", "tries", "tries_failed")
	for _, rule := range health.Rules() {
		head = append(head, string(rule)+"_owed", string(rule)+"_made")
	}
	head = append(head, "services", "moves", "alerts_right", "alerts_wrong")
	csvHeaders(w, "overview.csv")
	out := csv.NewWriter(w)
	_ = out.Write(head) // the client may have gone; so below
	for i := range groups {
		g := &groups[i]
		for at := range g.Days {
			_ = out.Write(csvOfDay(from+health.Day(at), g.Name, &g.Days[at]))
		}
	}
	out.Flush()
}

func csvOfDay(day health.Day, group string, c *health.Counts) []string {
	row := []string{day.Start().Format(time.DateOnly), spreadsheetSafe(group)}
	add := func(numbers ...int) {
		for _, n := range numbers {
			row = append(row, strconv.Itoa(n))
		}
	}
	add(c.States[:]...)
	add(c.Pending, c.Sessions, c.FirstTry, c.Tries, c.Failed)
	for _, t := range c.Checks {
		add(t.Owed, t.Kept)
	}
	add(c.Services, c.Moves, c.Right, c.Wrong)
	return row
}

// csvHeaders announce a file of that name.
func csvHeaders(w http.ResponseWriter, name string) {
	h := w.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	h.Set("Cache-Control", "no-store")
}

// spreadsheetSafe keeps a program for tables from taking a label for a formula.
func spreadsheetSafe(text string) string {
	if text != "" && slices.Contains([]byte("=+-@\t\r"), text[0]) {
		return "'" + text
	}
	return text
}

// optional is an optional number as a table of values holds it.
func optional(v drift.Opt[float64], decimals int) string {
	x, ok := v.Get()
	if !ok {
		return ""
	}
	return strconv.FormatFloat(x, 'f', decimals, 64)
}
