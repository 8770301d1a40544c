package web

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// Size of a panel in its own units; the style stretches it.
const (
	panelWidth, panelHeight = 120.0, 40.0
	panelPad                = 2.5
)

// panel is one small drawing of a machine over the chosen days. All panels of a
// kind on a page share one scale.
type panel struct {
	// Word is the text below it, Label its title.
	Word, Label       string
	Lines             []string
	Limit, Zero, Bars string
}

// trends are the scales that the panels of a page share.
type trends struct {
	bin            int // failed attempts are counted over so many days at a time
	from, to       time.Time
	x              scale
	power, scatter scale
	fails          scale
}

// panelBin is over how many days a panel counts failed attempts: it has room for about 15
// bars.
func panelBin(p period, now time.Time) int {
	from, to := p.bounds(now)
	days := to.Sub(from).Hours() / 24
	for _, bin := range []int{1, 2, 7, 28} {
		if days <= 15*float64(bin) {
			return bin
		}
	}
	return 7 * int(math.Ceil(days/15/7))
}

// addTrends draws the panels of every row that is traced.
func (v *boardView) addTrends(traces map[string]advise.Trace, to time.Time) {
	ts := trends{bin: panelBin(v.Filter.period, to)}
	ts.from, ts.to = v.Filter.bounds(to)
	cut := map[string]advise.Trace{}
	for name, t := range traces {
		t.Points = between(t.Points, ts.from, ts.to)
		cut[name] = t
	}
	if !ts.measure(cut) {
		return
	}
	v.Scale = fmt.Sprintf("power %s to %s\u00a0%%, scatter 0 to %.0f\u00a0%%, failed 0 to %.0f %s",
		phrase.Signed(ts.power.from, 0), phrase.Signed(ts.power.to, 0), ts.scatter.to, ts.fails.to, binWord(ts.bin))
	for i := range v.Rows {
		if t, ok := cut[v.Rows[i].Machine]; ok {
			v.Rows[i].Panels = []panel{ts.drawPower(t), ts.drawScatter(t.Points), ts.drawFails(t.Points)}
		}
	}
}

// measure finds the scales that hold all of the traces, and says whether there
// is anything to draw.
func (ts *trends) measure(traces map[string]advise.Trace) (some bool) {
	low, high, scatter, most := 0.0, 0.0, 1.0, 1
	for _, t := range traces {
		some = some || len(t.Points) > 0
		for _, p := range t.Points {
			if hasLevel(p) {
				low, high, scatter = min(low, p.Level), max(high, p.Level), max(scatter, p.Scatter)
			}
		}
		most = max(most, slices.Max(ts.count(t.Points)))
	}
	room := 0.1*(high-low) + 0.5
	const top, bottom = panelPad, panelHeight - panelPad
	ts.x = scale{stamp(ts.from), stamp(ts.to), panelPad, panelWidth - panelPad}
	ts.power = scale{math.Floor(low - room), math.Ceil(high + room), bottom, top}
	ts.scatter = scale{0, math.Ceil(scatter), bottom, top}
	ts.fails = scale{0, float64(most), bottom, top}
	return some
}

// count counts the failed attempts of each part of the span.
func (ts *trends) count(points []advise.Point) []int {
	bin := time.Duration(ts.bin) * 24 * time.Hour
	counts := make([]int, max(1, int((ts.to.Sub(ts.from)+bin-1)/bin)))
	for _, p := range points {
		if !p.Passed {
			// Counted from the end: the last part is a whole one.
			back := min(int(ts.to.Sub(p.Time)/bin), len(counts)-1)
			counts[len(counts)-1-back]++
		}
	}
	return counts
}

// hasLevel says whether the model had anything to say after this attempt.
func hasLevel(p advise.Point) bool {
	return !math.IsNaN(p.Level) && !math.IsInf(p.Level, 0) && p.SD > 0 && !math.IsInf(p.SD, 0)
}

func between(points []advise.Point, from, to time.Time) []advise.Point {
	var out []advise.Point
	for _, p := range points {
		if !p.Time.Before(from) && !p.Time.After(to) {
			out = append(out, p)
		}
	}
	return out
}

func (ts *trends) drawPower(t advise.Trace) panel {
	out := panel{Word: "no power known", Label: "required power: not known in this time"}
	across := func(value float64) string {
		if !ts.power.holds(value) {
			return ""
		}
		return fmt.Sprintf("M%s %sH%s", coord(ts.x.a), coord(ts.power.at(value)), coord(ts.x.b))
	}
	if limit, known := t.Limit.Get(); known {
		out.Limit = across(limit)
	}
	out.Zero = across(0)
	out.Lines = ts.lines(t.Points, ts.power, func(p advise.Point) float64 { return p.Level })
	if first, last, ok := ends(t.Points); ok {
		out.Word = "power " + phrase.SignedPercent(last.Level)
		out.Label = fmt.Sprintf("required power from %s to %s", phrase.SignedPercent(first.Level), phrase.SignedPercent(last.Level))
	}
	return out
}

func (ts *trends) drawScatter(points []advise.Point) panel {
	out := panel{Word: "no scatter known", Label: "scatter: not known in this time"}
	out.Lines = ts.lines(points, ts.scatter, func(p advise.Point) float64 { return p.Scatter })
	if first, last, ok := ends(points); ok {
		out.Word = "scatter " + size(drift.Some(last.Scatter))
		out.Label = fmt.Sprintf("scatter from %s to %s", size(drift.Some(first.Scatter)), size(drift.Some(last.Scatter)))
	}
	return out
}

func (ts *trends) drawFails(points []advise.Point) panel {
	counts := ts.count(points)
	var bars strings.Builder
	fails := 0
	wide := (ts.x.b - ts.x.a) / float64(len(counts))
	for i, n := range counts {
		fails += n
		if n > 0 {
			high := coord(ts.fails.a - ts.fails.at(float64(n)))
			fmt.Fprintf(&bars, "M%s %sv-%sh%sv%sz", coord(ts.x.a+wide*float64(i)+0.5), coord(ts.fails.a), high, coord(wide-1), high)
		}
	}
	return panel{
		Bars: bars.String(), Zero: fmt.Sprintf("M%s %sH%s", coord(ts.x.a), coord(ts.fails.a), coord(ts.x.b)),
		Word: fmt.Sprintf("%s failed", phrase.Integer(int64(fails))), Label: phrase.Count(len(points), "attempt") + ", " + phrase.Integer(int64(fails)) + " failed",
	}
}

// lines draws a value over time, broken at gaps.
func (ts *trends) lines(points []advise.Point, y scale, value func(advise.Point) float64) []string {
	var out []string
	for _, run := range runs(downsample(points, 60), func(p advise.Point) float64 { return stamp(p.Time) }) {
		var line strings.Builder
		for _, p := range run {
			step(&line, ts.x.at(stamp(p.Time)), y.at(value(p)))
		}
		if len(run) == 1 { // a lone point still shows
			line.WriteString("h1")
		}
		out = append(out, line.String())
	}
	return out
}

// ends are the first and the last attempt of which the model had something to
// say.
func ends(points []advise.Point) (first, last advise.Point, ok bool) {
	known := slices.DeleteFunc(slices.Clone(points), func(p advise.Point) bool { return !hasLevel(p) })
	if len(known) == 0 {
		return first, last, false
	}
	return known[0], known[len(known)-1], true
}
