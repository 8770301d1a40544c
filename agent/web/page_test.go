package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// everyPage is each page in each form that differs.
var everyPage = []string{
	"/import", "/import?table=gone", "/settings", "/settings?scope=machine&name=K-07", "/settings?scope=site&name=Tarn+Pass", "/settings?scope=table", "/plan",
	"/", "/?days=7", "/?from=2025-06-01&to=2026-01-31", "/?days=730&by=site&model=type-2", "/?by=cleaver&machine=K-07", "/?depot=none", "/wall", "/wall?depot=north", "/machines", "/machines?view=table&sort=due", "/machines?state=no-data", "/machines?q=zzz", "/machines?model=type-2&days=30", "/machines?page=9",
	"/machines/K-11", "/machines/K-07", "/machines/K-07?axis=date&points=measured", "/machines/K-15", "/machines/K-31",
	"/machines/K-07?as_of=2026-02-01T12:00:00Z", "/machines/K-07?as_of=soon", "/machines/nobody",
	"/moved", "/moved?machine=K-07", "/moved?machine=K-07&units=us", "/moved?machine=K-07&temperature_c=4&humidity_pct=80&altitude_m=1390",
	"/moved?machine=K-07&temperature_c=214", "/log", "/log?machine=K-07", "/log?machine=K-07&units=us&trigger=moved",
	"/service", "/service?machine=K-11", "/morning", "/refused", "/alerts", "/spares", "/rules", "/compare", "/compare?by=lot", "/compare?by=site", "/look-back", "/rules?by=model", "/phone", "/proof", "/proof?machine=K-07", "/proof?ask=J-114", "/proof?job=J-0", "/help", "/help/alerts", "/help/model", "/accounts", "/correct?machine=K-07&corrects=K-07-5", "/correct?machine=K-07&corrects=none",
}

func TestEveryPageIsWhole(t *testing.T) {
	for _, path := range everyPage {
		t.Run(path, func(t *testing.T) {
			w := get(t, yard(), path)
			assert.Equal(t, "text/html; charset=utf-8", w.Header().Get("Content-Type"))
			checkHTML(t, w.Body.String())
		})
	}
}

// checkHTML asserts what a reader, an assistive device and the policy need:
// elements closed in order, ids once, every control labelled, every drawing
// named, nothing inline, nothing from elsewhere.
func checkHTML(t testing.TB, text string) {
	t.Helper()
	assertNested(t, text)
	doc, err := html.Parse(strings.NewReader(text))
	require.NoError(t, err)
	ids, labelled := map[string]bool{}, map[string]bool{}
	for n := range doc.Descendants() {
		if id := attr(n, "id"); id != "" {
			assert.False(t, ids[id], "id %s twice", id)
			ids[id] = true
		}
		if n.Data == "label" {
			labelled[attr(n, "for")] = true
		}
	}
	headings := 0
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		for _, a := range n.Attr {
			assert.False(t, a.Key == "style" || strings.HasPrefix(a.Key, "on"), "inline %s on %s", a.Key, n.Data)
			if a.Key == "href" || a.Key == "src" || a.Key == "action" {
				assert.False(t, strings.Contains(a.Val, "//"), "%s leads elsewhere", a.Val)
			}
			if a.Key == "aria-labelledby" || a.Key == "aria-describedby" {
				for _, id := range strings.Fields(a.Val) {
					assert.True(t, ids[id], "%s names %s, which is not there", a.Key, id)
				}
			}
		}
		switch n.Data {
		case "h1":
			headings++
		case "style":
			t.Error("inline style")
		case "script":
			assert.NotEmpty(t, attr(n, "src"), "inline script")
		case "svg":
			named := attr(n, "aria-label") != "" || attr(n, "aria-labelledby") != ""
			assert.True(t, attr(n, "aria-hidden") == "true" || attr(n, "role") == "img" && named, "a drawing without a name")
		case "input", "select", "textarea":
			wrapped := n.Parent != nil && n.Parent.Data == "label"
			assert.True(t, attr(n, "type") == "hidden" || wrapped || labelled[attr(n, "id")], "%s %s has no label", n.Data, attr(n, "name"))
		}
	}
	assert.Equal(t, 1, headings, "one h1")
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

// assertNested checks that every element is closed, in order: the parser repairs
// what is not and would hide it.
func assertNested(t testing.TB, text string) {
	t.Helper()
	void := map[string]bool{"meta": true, "link": true, "input": true, "br": true}
	var open []string
	z := html.NewTokenizer(strings.NewReader(text))
	for {
		switch z.Next() {
		case html.ErrorToken:
			assert.Empty(t, open, "left open")
			return
		case html.StartTagToken:
			name, _ := z.TagName()
			if !void[string(name)] {
				open = append(open, string(name))
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if assert.NotEmpty(t, open, "</%s> without a beginning", name) {
				assert.Equal(t, open[len(open)-1], string(name), "closed out of order")
				open = open[:len(open)-1]
			}
		}
	}
}

// text is what a reader sees of the page.
func text(t testing.TB, w *httptest.ResponseRecorder) string {
	t.Helper()
	doc, err := html.Parse(w.Body)
	require.NoError(t, err)
	var b strings.Builder
	for n := range doc.Descendants() {
		if n.Type == html.TextNode && n.Parent.Data != "script" {
			b.WriteString(n.Data + " ")
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

func TestEveryStateHasWordAndShape(t *testing.T) {
	shapes := map[string]bool{}
	for _, state := range advise.States() {
		f := yard()
		f.machines = f.machines[:1]
		f.machines[0].State = state
		for _, path := range []string{"/machines", "/machines/K-11"} {
			w := get(t, f, path)
			page := w.Body.String()
			checkHTML(t, page)
			at := strings.Index(page, `<span class="state `+string(state)+`">`)
			require.Positive(t, at, "%s on %s", state, path)
			mark := page[at : at+strings.Index(page[at:], "</span>")]
			assert.Contains(t, mark, phrase.State(state))
			shapes[mark[strings.Index(mark, "<path")+1:]] = true
		}
	}
	assert.Len(t, shapes, len(advise.States()), "every state has a shape of its own")
}

func TestLabelsAreEscaped(t *testing.T) {
	const evil = `"><script>alert(1)</script>`
	f := yard()
	bad := evil
	for i := range f.machines {
		f.machines[i].Model, f.machines[i].Site = &bad, evil
		f.machines[i].Reasons, f.machines[i].Warnings = []string{evil}, []string{evil}
	}
	for i := range f.history["K-07"] {
		f.history["K-07"][i].Operator = evil
	}
	for _, path := range append(everyPage, "/machines?q="+strings.ReplaceAll(evil, " ", "+"), "/machines/"+`%22%3E%3Cscript%3Ealert(1)%3C%2Fscript%3E`) {
		page := get(t, f, path).Body.String()
		assert.NotContains(t, page, "<script>alert", path)
		checkHTML(t, page)
	}
}

func TestBoardSays(t *testing.T) {
	seen := text(t, get(t, yard(), "/machines"))
	for _, part := range []string{
		"K-11", "Stop", "Replace the electrodes by Mon 2 Mar.", "4 attempts in a row failed", "40 minutes ago",
		"Clean the electrodes by Thu 5 Mar.", "Calibrate before the next splice.", "type-2 · Tarn Pass",
		"No record for 11 days", "11 days ago", "power +4.6 %", "scatter 1.4 %", "2 failed", "6 all",
		"Charts cover 90 days on common scales: power −2 to +9 %, scatter 0 to 2 %, failed 0 to 3 each week.",
	} {
		assert.Contains(t, seen, part)
	}
	assert.Less(t, strings.Index(seen, "K-11"), strings.Index(seen, "M-09"), "worst first")
}

func TestBoardFilters(t *testing.T) {
	for query, want := range map[string][]string{
		"?q=k-1":                   {"K-11", "K-15"},
		"?model=type-2":            {"M-02", "K-07", "M-09"},
		"?site=Mill+Lane":          {"K-31", "K-15"},
		"?state=fit&model=type-1":  {"K-15"},
		"?state=silent":            {"K-11", "M-02", "K-07", "K-31", "M-09", "K-15"},
		"?site=Mill+Lane&q=x":      nil,
		"?page=-3&days=100":        {"K-11", "M-02", "K-07", "K-31", "M-09", "K-15"},
		"?page=99999999999999999&": {"K-11", "M-02", "K-07", "K-31", "M-09", "K-15"},
	} {
		view, _ := boardOf(yard().Board(), filterOf(mustQuery(t, query)), noon)
		var got []string
		for _, row := range view.Rows {
			got = append(got, row.Machine)
		}
		assert.Equal(t, want, got, query)
	}
}

func mustQuery(t testing.TB, q string) map[string][]string {
	t.Helper()
	return httptest.NewRequest("GET", "/"+q, nil).URL.Query()
}

// The filter is kept in every link of the board.
func TestBoardLinksKeepTheFilter(t *testing.T) {
	f := filter{period: period{Days: 30}, Query: "x", Model: "type-2", Site: "Site 3", Depot: "north", Sort: byDue, Table: true, State: advise.Fit, Page: 1}
	assert.Equal(t, f, filterOf(mustQuery(t, strings.TrimPrefix(f.link(), "/machines"))))
	view, shown := boardOf(crowd(2000).Board(), filter{period: period{Days: 30}, State: advise.Fit, Page: 3}, noon)
	assert.Len(t, shown, perPage)
	assert.Equal(t, "41 to 60 of 1996", view.Shown)
	assert.Equal(t, "/machines?days=30&page=2&state=fit", view.Before)
	assert.Equal(t, "/machines?days=30&page=4&state=fit", view.After)
	assert.Equal(t, 2000, view.All.Count, "counts are of the whole fleet, whatever state is shown")
}

// The panels of a page are on one scale, over the range that the link keeps, and
// the link to a machine keeps it too.
func TestPanelsShareScaleAndRange(t *testing.T) {
	f := yard()
	traces := map[string]advise.Trace{}
	for name, trace := range f.traces {
		traces[name] = trace
	}
	for _, days := range []int{7, 30, 90, 365} {
		view, _ := boardOf(f.Board(), filterOf(mustQuery(t, fmt.Sprintf("?days=%d", days))), noon)
		view.addTrends(traces, noon)
		fails, limits := 0, map[string]bool{}
		for _, row := range view.Rows {
			require.Len(t, row.Panels, 3)
			kept := filterOf(mustQuery(t, strings.TrimPrefix(row.Link, machineLink(row.Machine))))
			assert.Equal(t, days, kept.Days, row.Link)
			limits[row.Panels[0].Zero] = true
			n := 0
			for _, p := range f.traces[row.Machine].Points {
				if !p.Passed && !p.Time.Before(noon.AddDate(0, 0, -days)) {
					n++
				}
			}
			fails += n
			assert.Equal(t, fmt.Sprintf("%d failed", n), row.Panels[2].Word, row.Machine)
		}
		assert.Len(t, limits, 1, "nothing is at the same height everywhere")
		assert.Positive(t, fails)
	}
	ts := trends{bin: 7, from: noon.AddDate(0, 0, -90), to: noon}
	counted := ts.count([]advise.Point{{Time: noon}, {Time: noon.AddDate(0, 0, -6)}, {Time: noon.AddDate(0, 0, -8)}, {Time: noon.AddDate(0, 0, -90)}, {Time: noon, Passed: true}})
	assert.Equal(t, []int{1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 2}, counted, "weeks are counted back from now")
	assert.Contains(t, get(t, f, "/machines/K-07?axis=date&days=30").Body.String(), `axis=date&amp;days=7`)
}

func TestBoardOfNothing(t *testing.T) {
	w := get(t, &fake{}, "/machines")
	checkHTML(t, w.Body.String())
	assert.Contains(t, w.Body.String(), "No records yet")
}

// A connection that does not stand is on the board, with why.
func TestBoardSaysWhatIsBroken(t *testing.T) {
	const why = "The MQTT broker tcp://yard:1883 is not connected: it says that the user or the password is wrong (mqtt-user, mqtt-password-file)."
	w := get(t, &fake{broken: []string{why}}, "/")
	checkHTML(t, w.Body.String())
	assert.Contains(t, text(t, w), why)
}

func TestBoardWhileStarting(t *testing.T) {
	f := &fake{notReady: errors.New("the machines' models are still being read")}
	seen := text(t, get(t, f, "/"))
	assert.Contains(t, seen, "still reading its records")
	assert.NotContains(t, seen, "No records yet")
	assert.NotContains(t, seen, "0 Stop", "no count that looks like an all-clear")

	// No page says that no machine needs action, or that a machine is unknown.
	asked := []string{"/alerts", "/api/v1/alerts", "/morning", "/morning.txt", "/machines/K-07", "/moved?machine=K-07&temperature_c=4", "/spares",
		"/api/v1/machines", "/api/v1/machines/K-07", "/api/v1/site-check?machine=K-07", "/api/v1/spares", "/api/v1/offline?machine=K-07"}
	for _, path := range asked {
		w := get(t, f, path)
		assert.Equal(t, http.StatusServiceUnavailable, w.Code, path)
		assert.Equal(t, retryAfter, w.Header().Get("Retry-After"), path)
		assert.Contains(t, w.Body.String(), "still reading its records", path)
	}
	f.version = 1 // all is read; that it is not ready has another reason
	for _, path := range asked {
		assert.NotContains(t, get(t, f, path).Body.String(), "still reading", path)
	}
	assert.Contains(t, text(t, get(t, f, "/")), "No records yet")
}

// A board of 2,000 machines stays small: USERS asks under 100 KB.
func TestBoardOfManyIsBounded(t *testing.T) {
	w := get(t, crowd(2000), "/machines")
	assert.Less(t, w.Body.Len(), 100_000)
	assert.Less(t, strings.Count(w.Body.String(), "<"), 3000)
}

func TestLivePagesAnswerUnchanged(t *testing.T) {
	for _, path := range []string{"/", "/machines", "/wall", "/machines/K-07"} {
		f := yard()
		tag := get(t, f, path).Header().Get("ETag")
		require.NotEmpty(t, tag)
		again := httptest.NewRequest("GET", path, nil)
		again.Header.Set("If-None-Match", tag)
		assert.Equal(t, http.StatusNotModified, ask(t, f, again).Code)
		f.version++
		assert.Equal(t, http.StatusOK, ask(t, f, again).Code, "a new answer is a new page")
	}
}

// The model is asked again only about a machine that changed.
func TestTracesAreKept(t *testing.T) {
	f := yard()
	s := serverFor(t, f)
	h := s.Handler()
	for range 3 {
		r := httptest.NewRequest("GET", "/machines", nil)
		r.Host = "localhost"
		h.ServeHTTP(httptest.NewRecorder(), r)
		f.turn("K-15", advise.Stop) // another version, but the same records
	}
	assert.Equal(t, len(f.machines), f.traced)
	f.machines[0].Data.Records++
	_, err := s.traces.of(t.Context(), f.machines[0].Assessment)
	require.NoError(t, err)
	assert.Equal(t, len(f.machines)+1, f.traced)
	// A correction may leave the rounded answer as it was.
	f.history["K-11"] = append(f.history["K-11"], f.history["K-07"][len(f.history["K-07"])-1])
	_, err = s.traces.of(t.Context(), f.machines[0].Assessment)
	require.NoError(t, err)
	assert.Equal(t, len(f.machines)+2, f.traced)
}

// A board does not wait for its drawings: with no time left it comes without
// those that are not at hand, and says that it is not the last word.
func TestBoardDoesNotWaitForDrawings(t *testing.T) {
	f := yard()
	s := serverFor(t, f)
	_, err := s.traces.of(t.Context(), f.machines[2].Assessment)
	require.NoError(t, err)
	late, cancel := context.WithCancel(context.Background())
	cancel()
	view, shown := boardOf(f.Board(), filterOf(nil), noon)
	traces, whole, err := s.traces.soon(late, assessmentsOf(shown)...)
	require.NoError(t, err)
	assert.False(t, whole)
	view.addTrends(traces, noon)
	for _, row := range view.Rows {
		assert.Equal(t, row.Machine == "K-07", row.Panels != nil, row.Machine)
	}

	f.slow = make(chan struct{}) // and neither does a model that does not answer
	defer close(f.slow)
	r := httptest.NewRequest("GET", "/machines", nil)
	w := ask(t, f, r)
	assert.Equal(t, partial, w.Header().Get("ETag"))
	checkHTML(t, w.Body.String())
}

func TestMachineSays(t *testing.T) {
	w := get(t, yard(), "/machines/K-07")
	require.Equal(t, http.StatusOK, w.Code)
	seen := text(t, w)
	for _, part := range []string{
		"Service soon", "Clean the electrodes by Thu 5 Mar.", "done by A. Ruiz", "reason start of day", "between 220 and 1,240 arcs are left", "Log the service and pass a calibration to clear this",
		"Switch the machine off, unplug it", "Never look into a fibre", "sharps bin", "Keep alcohol away from flames",
		"between 220 and 1,240; plan on 220", "about 7 in 10", "new pair", "cleaned", "limit +12 %",
		"altitude 210 → 2100 m by J. Lund", "typing slip", "Electrodes replaced", "pair lot 118",
	} {
		assert.Contains(t, seen, part)
	}
}

func TestCautionsWheneverElectrodesAreTouched(t *testing.T) {
	const caution = "Before you open the machine"
	for _, c := range []struct {
		machine string
		want    bool
	}{{"K-11", true}, {"K-07", true}, {"M-09", false}, {"K-31", false}} {
		assert.Equal(t, c.want, strings.Contains(get(t, yard(), "/machines/"+c.machine).Body.String(), caution), c.machine)
	}
}

func TestStreakNamesCausesLikeliestFirst(t *testing.T) {
	seen := text(t, get(t, yard(), "/machines/K-11"))
	assert.Contains(t, seen, "4 failed attempts in a row, in 2 sessions; chance of such a run by luck: fewer than 1 in 100")
	electrodes, ends, air := strings.Index(seen, "Electrodes about 7 in 10"), strings.Index(seen, "Fibre ends about 2 in 10"), strings.Index(seen, "Air about 7 in 100")
	assert.Positive(t, electrodes)
	assert.Less(t, electrodes, ends)
	assert.Less(t, ends, air)
}

func TestUnknownIsNeverZero(t *testing.T) {
	seen := text(t, get(t, yard(), "/machines/K-15"))
	assert.Contains(t, seen, "Required power at reference air not known")
	assert.Contains(t, seen, "with pass or fail only")
}

func TestUnknownMachine(t *testing.T) {
	assert.Equal(t, http.StatusNotFound, get(t, yard(), "/machines/nobody").Code)
}

// A person who follows a wrong link gets a page with the way back; a script, and
// whoever asks the interface, the plain answer it always got.
func TestAddressThatIsNone(t *testing.T) {
	asked := func(method, path, accept string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, nil)
		r.Header.Set("Accept", accept)
		return ask(t, yard(), r)
	}
	const browser = "text/html,application/xhtml+xml,*/*;q=0.8"
	for _, path := range []string{"/machine", "/machines/", "/machines/K-07/x", "/<script>"} {
		w := asked("GET", path, browser)
		assert.Equal(t, http.StatusNotFound, w.Code, path)
		checkHTML(t, w.Body.String())
		assert.Contains(t, w.Body.String(), `href="/">Go to the fleet`, path)
		assert.Contains(t, text(t, w), "There is no page at "+path, path)
	}
	for _, r := range [][3]string{{"GET", "/machine", "*/*"}, {"GET", "/api/v1/nothing", browser}, {"POST", "/machine", browser}, {"GET", "/static/none.js", browser}} {
		w := asked(r[0], r[1], r[2])
		assert.Equal(t, http.StatusNotFound, w.Code, r)
		assert.Contains(t, w.Header().Get("Content-Type"), "text/plain", r)
	}
	assert.Equal(t, http.StatusMethodNotAllowed, asked("POST", "/morning", browser).Code)
}

func TestBoardOfNothingFoundShowsTheWayBack(t *testing.T) {
	seen := text(t, get(t, yard(), "/machines?q=zz"))
	assert.Contains(t, seen, "No machine matches the search. Show all machines")
	assert.NotContains(t, seen, "most first")
	assert.NotContains(t, text(t, get(t, yard(), "/machines")), "Show all machines")
}

func TestMachinePageOfManyRecordsIsBounded(t *testing.T) {
	f := yard()
	trace, history := f.traces["K-07"], f.history["K-07"]
	for i := range 5000 {
		p := trace.Points[i%60]
		p.Pair, p.Arcs = 1, int64(i)
		trace.Points = append(trace.Points, p)
		e := history[i%60]
		e.ID = fmt.Sprint(i)
		history = append(history, e)
	}
	f.traces["K-07"], f.history["K-07"] = trace, history
	w := get(t, f, "/machines/K-07")
	checkHTML(t, w.Body.String())
	assert.Less(t, w.Body.Len(), 400_000)
}

func BenchmarkBoard(b *testing.B) {
	for _, n := range []int{2000, 100_000} {
		b.Run(fmt.Sprintf("machines=%d", n), func(b *testing.B) {
			h := serverFor(b, crowd(n)).Handler()
			var w *httptest.ResponseRecorder
			for b.Loop() {
				r := httptest.NewRequest("GET", "/", nil)
				r.Host = "localhost"
				w = httptest.NewRecorder()
				h.ServeHTTP(w, r)
			}
			b.ReportMetric(float64(w.Body.Len()), "B/page")
		})
	}
}

func BenchmarkMachine(b *testing.B) {
	h := serverFor(b, yard()).Handler()
	for b.Loop() {
		r := httptest.NewRequest("GET", "/machines/K-07", nil)
		r.Host = "localhost"
		h.ServeHTTP(httptest.NewRecorder(), r)
	}
}
