package web

import (
	"encoding/csv"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/advise"
	"arcdrift/drift/health"
)

func TestPeriods(t *testing.T) {
	for query, want := range map[string]string{
		"": "90 days", "days=7": "7 days", "days=730": "2 years", "days=8": "90 days", "days=all": "90 days",
		"from=2026-01-05&to=2026-02-01": "5 Jan 2026 to 1 Feb 2026", "from=2026-02-01&to=2026-01-05": "90 days",
		"from=1066-01-01&to=2026-01-05": "90 days", "from=2026-01-05": "90 days", "from=x&to=y&days=30": "30 days",
	} {
		v, err := url.ParseQuery(query)
		require.NoError(t, err)
		p := periodOf(v)
		assert.Equal(t, want, p.Period(), query)
		again := url.Values{}
		p.set(again)
		assert.Equal(t, p, periodOf(again), query)
		from, to := p.days(noon)
		assert.LessOrEqual(t, from, to, query)
		assert.LessOrEqual(t, to, health.DayOf(noon), query)
		bins := (int(to-from) + p.bin(noon)) / p.bin(noon)
		assert.LessOrEqual(t, bins, mostBins, query)
	}
	from, to := period{Days: 7}.days(noon)
	assert.EqualValues(t, 6, to-from)
}

// Every day is in one part, the last part is whole, and each part is named by its last
// day.
func TestATimelineHoldsEveryDayOnce(t *testing.T) {
	for _, c := range []struct{ days, bin int }{{1, 1}, {90, 1}, {90, 7}, {91, 7}, {730, 7}, {5, 7}} {
		from := health.DayOf(noon)
		g := health.Group{Days: make([]health.Counts, c.days)}
		for i := range g.Days {
			g.Days[i].Tries = 1
			g.Days[i].States[4] = i + 1
		}
		line := timelineOf(&g, from, from+health.Day(c.days)-1, c.bin)
		sum := 0
		for i := range line.parts {
			sum += line.parts[i].Tries
			assert.Positive(t, line.parts[i].Tries, "%v", c)
			assert.LessOrEqual(t, line.parts[i].Tries, c.bin)
			assert.Equal(t, int(line.last(i)-from)+1, line.states[i].States[4], "the states of a part are those of its last day")
		}
		assert.Equal(t, c.days, sum, "%v", c)
		assert.Equal(t, min(c.bin, c.days), line.parts[len(line.parts)-1].Tries)
	}
}

// The links of the overview keep its whole question: the range, the filter, the grouping.
func TestOverviewLinksKeepTheQuestion(t *testing.T) {
	const asked = "days=30&by=site&model=type-2&depot=north&cleaver=C-1&pair=lot+118&machine=K-07"
	v, err := url.ParseQuery(asked)
	require.NoError(t, err)
	a := overviewOf(v)
	assert.Equal(t, a, overviewOf(mustQuery(t, strings.TrimPrefix(a.link(), "/"))))
	list := filterOf(mustQuery(t, strings.TrimPrefix(a.listLink(advise.Stop), "/machines")))
	assert.Equal(t, filter{period: period{Days: 30}, Query: "K-07", Model: "type-2", Depot: "north", State: advise.Stop, Page: 1}, list)
	assert.Equal(t, "/?days=30&depot=north&model=type-2", list.overviewLink())

	page := get(t, yard(), "/?days=30&by=site&model=type-2").Body.String()
	assert.Contains(t, page, `href="/?by=site&amp;days=7&amp;model=type-2"`)
	assert.Contains(t, page, `href="/?days=30&amp;model=type-2&amp;site=Tarn&#43;Pass"`)
	assert.Contains(t, page, `href="/machines?days=30&amp;model=type-2&amp;state=stop"`)
	assert.Contains(t, page, `href="/machines/K-07?days=30"`)
	assert.Contains(t, page, `/overview.csv?by=site&amp;days=30&amp;model=type-2`)
}

func TestOverviewSays(t *testing.T) {
	seen := text(t, get(t, yard(), "/"))
	for _, part := range []string{"6 all", "Machines that need somebody", "K-11", "Replace the electrodes by Mon 2 Mar.", "90 days, days in UTC.", "computed back to", "before the first use of a day:", "services: 12", "alerts that were right: 1", "alerts that were wrong: 1", "calibrations passed at the first try"} {
		assert.Contains(t, seen, part)
	}
	assert.Less(t, strings.Index(seen, "K-11"), strings.Index(seen, "Over time"), "who needs somebody comes first")
	seen = text(t, get(t, yard(), "/?by=pair"))
	assert.Contains(t, seen, "lot 118")
	assert.Contains(t, seen, "not stated")
	assert.Contains(t, text(t, get(t, yard(), "/?site=nowhere")), "No record in this time.")
}

// While nothing is counted yet the page says so, and shows no empty charts.
func TestOverviewBeforeTheDaysAreCounted(t *testing.T) {
	f := yard()
	f.book = &health.Book{}
	page := get(t, f, "/").Body.String()
	checkHTML(t, page)
	assert.Contains(t, page, "The days are being counted.")
	assert.NotContains(t, page, "<figure")
}

func csvRows(t *testing.T, f *fake, path string) [][]string {
	t.Helper()
	w := get(t, f, path)
	require.Equal(t, http.StatusOK, w.Code, path)
	assert.Contains(t, w.Header().Get("Content-Type"), "text/csv")
	rows, err := csv.NewReader(w.Body).ReadAll()
	require.NoError(t, err)
	return rows
}

// The days as CSV: the groups sum to the whole, and to what the page says.
func TestOverviewCSV(t *testing.T) {
	f := yard()
	whole, bySite := csvRows(t, f, "/overview.csv?days=30"), csvRows(t, f, "/overview.csv?days=30&by=site")
	require.Len(t, whole, 31)
	sums := map[string][]int{}
	for _, row := range bySite[1:] {
		if sums[row[0]] == nil {
			sums[row[0]] = make([]int, len(row)-2)
		}
		for i, cell := range row[2:] {
			n, err := strconv.Atoi(cell)
			require.NoError(t, err)
			sums[row[0]][i] += n
		}
	}
	for _, row := range whole[1:] {
		assert.Equal(t, strings.Join(row[2:], " "), strings.Trim(fmt.Sprint(sums[row[0]]), "[]"), row[0])
	}
	last := whole[len(whole)-1]
	assert.Equal(t, []string{"2026-03-02", "", "1", "1", "1", "1", "2", "0"}, last[:8], "today's states are the present ones")
}

// The list as CSV is the list: the same machines in the same order, all pages of it. A
// label that a spreadsheet would take for a formula is not one.
func TestListCSV(t *testing.T) {
	f := yard()
	f.machines[0].Site = "=1+1"
	got := csvRows(t, f, "/machines.csv?sort=name&q=k-")
	var names []string
	for _, row := range got[1:] {
		names = append(names, row[0])
	}
	assert.Equal(t, []string{"K-07", "K-11", "K-15", "K-31"}, names)
	assert.Equal(t, "'=1+1", got[2][2])
	assert.Equal(t, "2026-03-05", got[1][6])
	assert.Len(t, csvRows(t, crowd(300), "/machines.csv?view=table&page=2"), 301)
	rows := csvRows(t, f, "/machines/K-07/power.csv")
	assert.Len(t, rows, len(f.traces["K-07"].Points)+1)
	assert.Equal(t, http.StatusNotFound, get(t, f, "/machines/nobody/power.csv").Code)
}

func TestListOrders(t *testing.T) {
	first := func(o order, change func(f *fake)) string {
		f := yard()
		change(f)
		view, _ := boardOf(f.Board(), filter{Sort: o, Page: 1, period: period{Days: 90}}, noon)
		return view.Rows[0].Machine
	}
	assert.Equal(t, "K-11", first(byUrgency, func(*fake) {}))
	assert.Equal(t, "K-11", first(byDue, func(*fake) {}))
	assert.Equal(t, "M-09", first(byDue, func(f *fake) {
		f.machines[4].Due = &advise.Due{Reason: advise.Moved, Since: noon.AddDate(0, 0, -3)}
	}))
	assert.Equal(t, "M-02", first(byLeft, func(f *fake) { f.machines[1].Electrode.ToFailure = &advise.Quantiles{P10: 3} }))
	assert.Equal(t, "K-31", first(bySilence, func(*fake) {}))
	assert.Equal(t, "K-07", first(byName, func(*fake) {}))
	assert.Contains(t, text(t, get(t, yard(), "/machines?view=table&sort=silence")), "longest silence first")
}

// The search finds models, sites, depots and earlier names, too.
func TestSearchFindsMoreThanMachines(t *testing.T) {
	f := yard()
	f.machines[2].Settings.Depot, f.machines[3].Before = "north", []string{"Z-1"}
	for query, want := range map[string]int{"TYPE-2": 3, "tarn": 2, "north": 1, "z-1": 1, "k-": 4, "zzz": 0} {
		view, _ := boardOf(f.Board(), filterOf(url.Values{"q": {query}}), noon)
		assert.Len(t, view.Rows, want, query)
	}
}

func TestWallSays(t *testing.T) {
	f := yard()
	seen := text(t, get(t, f, "/wall"))
	for _, part := range []string{"1 Stop", "2 Fit", "K-11", "Replace the electrodes by Mon 2 Mar.", "As of 12:00", "Newest record 40 minutes ago"} {
		assert.Contains(t, seen, part)
	}
	assert.NotContains(t, seen, "M-09", "who is fit needs nobody")
	f.machines[0].Settings.Depot = "north"
	seen = text(t, get(t, f, "/wall?depot=north"))
	assert.Contains(t, seen, "0 Fit")
	assert.NotContains(t, seen, "K-07")
	many := crowd(20)
	for i := range many.machines {
		many.machines[i].State = advise.Stop
	}
	assert.Contains(t, text(t, get(t, many, "/wall")), "and 14 machines more")
	assert.Contains(t, text(t, get(t, &fake{}, "/wall")), "No machine.")
}

// One attempt far away, or failed ones, do not press the rest of a chart into a line: they
// are marked at the edge, and said.
func TestChartClipsWhatIsFarAway(t *testing.T) {
	trace := yard().traces["K-07"]
	plain := drawPower(trace, chartView{machine: "K-07", byDate: true}, "wide", 960, 420)
	assert.Empty(t, plain.Clipped)
	far := trace
	far.Points = append(far.Points[:0:0], far.Points...)
	at := len(far.Points) - 3
	far.Points[at].Reference, far.Points[at].Passed = some(58.0), false
	far.Points[0].Time = time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC)
	c := drawPower(far, chartView{machine: "K-07", byDate: true}, "wide", 960, 420)
	assert.Contains(t, c.Clipped, "2 attempts beyond the axes")
	assert.Contains(t, c.Desc, c.Clipped)
	kinds := map[string]bool{}
	for _, d := range c.Dots {
		kinds[d.Kind] = true
	}
	assert.True(t, kinds["beyond"])
	assert.Equal(t, plain.Y, c.Y, "the axis of values is as without it")
	assert.Greater(t, c.xs.from, stamp(noon.AddDate(-1, 0, 0)), "the axis of dates, too")
	assert.Empty(t, c.at(far.Points[0], 1), "no place on the chart")
	assert.NotEmpty(t, c.at(far.Points[at], 1))
}

// Closed case: of 0 to 99 the quartiles are 25 and 74, the fences three times their
// distance beyond.
func TestFence(t *testing.T) {
	var values []float64
	for i := range 100 {
		values = append(values, float64(i))
	}
	assert.Equal(t, scale{from: 25 - 3*49, to: 74 + 3*49}, fence(values))
	assert.True(t, fence(values[:5]).holds(math.MaxFloat64), "too few to say")
	assert.True(t, fence(make([]float64, 50)).holds(3), "all alike")
}

// Alerts and moves are marked on a machine's chart.
func TestChartMarksAlerts(t *testing.T) {
	page := get(t, yard(), "/machines/K-07?axis=date").Body.String()
	assert.Contains(t, page, ">alert</text>")
}
