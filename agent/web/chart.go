package web

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// z80 is the normal quantile at 0.9: ±z80 standard deviations hold 8 in 10, the
// same share as between the 10 % and 90 % lines of the forecast.
const z80 = 1.2816

// mostDots is how many attempts a chart draws; failed ones are always among them.
const mostDots = 600

// scale maps the values from..to onto the places a..b.
type scale struct{ from, to, a, b float64 }

func (s scale) at(v float64) float64 {
	if s.to == s.from {
		return (s.a + s.b) / 2
	}
	return s.a + (v-s.from)/(s.to-s.from)*(s.b-s.a)
}

func (s scale) holds(v float64) bool { return v >= s.from && v <= s.to }

func stamp(t time.Time) float64 { return float64(t.Unix()) }

// chart is a drawing of required power, all places worked out; the template only
// writes them down.
type chart struct {
	Size, Title, Desc          string
	Width, Height              float64
	Left, Right, Top, Bottom   float64
	XText, YText, XName, YName float64
	XWord, YWord               string
	X, Y                       []tick
	Band, Level, Fan, FanEdges []string
	FanMid                     []string
	Limits                     []tick
	Marks                      []chartMark
	Dots                       []dots
	// Clipped says how many values lie beyond the axes; they are marked at the edge.
	Clipped string
	xs      scale
	byDate  bool
}

type tick struct {
	At, Text     float64
	Anchor, Word string
}

type chartMark struct {
	At, Text     float64
	Anchor, Word string
}

// dots are all signs of one kind in one path: a long history stays few nodes.
type dots struct{ Kind, Path string }

// chartView says what of a trace to draw.
type chartView struct {
	machine string
	byDate  bool
	raw     bool
}

func (v chartView) x(p advise.Point) float64 {
	if v.byDate {
		return stamp(p.Time)
	}
	return float64(p.Arcs)
}

func (v chartView) y(p advise.Point) drift.Opt[float64] {
	if v.raw {
		return p.Raw
	}
	return p.Reference
}

// ofLastPair cuts a trace down to the pair that is fitted now.
func ofLastPair(t advise.Trace) advise.Trace {
	pair := 0
	for _, p := range t.Points {
		pair = max(pair, p.Pair)
	}
	for _, m := range t.Marks {
		pair = max(pair, m.Pair)
	}
	t.Points = slices.DeleteFunc(slices.Clone(t.Points), func(p advise.Point) bool { return p.Pair != pair })
	t.Marks = slices.DeleteFunc(slices.Clone(t.Marks), func(m advise.Mark) bool { return m.Pair != pair })
	return t
}

// drawPower draws required power along arcs of the present pair or along time,
// in the given size.
func drawPower(t advise.Trace, v chartView, sizeName string, width, height float64) *chart {
	if v.byDate {
		t.Fan = nil // the forecast counts arcs, not days
	} else {
		t = ofLastPair(t)
	}
	if len(t.Points) == 0 {
		return nil
	}
	c := &chart{
		Size: sizeName, Width: width, Height: height, Left: 46, Right: width - 10, Top: 52, Bottom: height - 46,
		YText: 40, XText: height - 26, XName: height - 6, YName: 14, YWord: "required power, % over nominal", byDate: v.byDate,
	}
	c.XWord = "arcs on this pair"
	if v.byDate {
		c.XWord = "date"
	}
	x, y := c.scales(t, v)
	c.xs = x
	c.ticks(x, y, v)
	c.drawLimits(t, y)
	c.drawLevel(t, v, x, y)
	c.drawFan(t, x, y)
	c.drawMarks(t, v, x)
	c.drawDots(t, v, x, y)
	c.describe(t, v)
	return c
}

// scales finds the ranges that hold everything worth seeing, the limit included: how much
// room is left is the point of the chart. Values and dates far from all others do not
// count: they would press the rest into a line.
func (c *chart) scales(t advise.Trace, v chartView) (x, y scale) {
	x = scale{math.Inf(1), math.Inf(-1), c.Left, c.Right}
	y = scale{0, 0, c.Bottom, c.Top}
	widen := func(value float64) {
		if !math.IsNaN(value) && !math.IsInf(value, 0) {
			y.from, y.to = min(y.from, value), max(y.to, value)
		}
	}
	usualX, usualY := fences(t.Points, v)
	for _, p := range t.Points {
		if usualX.holds(v.x(p)) {
			x.from, x.to = min(x.from, v.x(p)), max(x.to, v.x(p))
		}
		if value, ok := v.y(p).Get(); ok && usualY.holds(value) {
			widen(value)
		}
		if hasLevel(p) {
			widen(p.Level)
		}
	}
	for _, f := range t.Fan {
		x.to = max(x.to, float64(f.Arcs))
	}
	if limit, ok := t.Limit.Get(); ok {
		widen(limit)
		for _, f := range t.Fan { // beyond the limit the fan adds nothing
			widen(min(f.P90, 1.15*limit))
		}
	}
	if !v.byDate {
		x.from = min(x.from, 0)
	}
	if x.to == x.from {
		x.from, x.to = x.from-1, x.to+1
	}
	room := max(0.5, 0.06*(y.to-y.from))
	y.from, y.to = y.from-room, y.to+room
	return x, y
}

func (c *chart) ticks(x, y scale, v chartView) {
	most := int((c.Right - c.Left) / 80)
	for _, value := range niceTicks(y.from, y.to, 6) {
		at := round(y.at(value))
		c.Y = append(c.Y, tick{At: at, Text: at + 4, Word: phrase.Signed(value, decimals(y.to-y.from))})
	}
	if v.byDate {
		c.X = dateTicks(x, most)
	} else {
		for _, value := range niceTicks(x.from, x.to, most) {
			c.X = append(c.X, tick{At: round(x.at(value)), Word: phrase.Integer(int64(value))})
		}
	}
	for i := range c.X {
		c.X[i].Anchor = "middle"
		if c.X[i].At+3.5*float64(len(c.X[i].Word)) > c.Width { // 7 is about the width of a letter
			c.X[i].Anchor = "end"
		}
	}
}

func decimals(span float64) int {
	if span < 3 {
		return 1
	}
	return 0
}

// niceTicks are at most n round values from low to high, steps of 1, 2 or 5.
func niceTicks(low, high float64, n int) []float64 {
	n = max(n, 2)
	least := (high - low) / float64(n)
	step := math.Pow(10, math.Floor(math.Log10(least)))
	for _, m := range []float64{1, 2, 5, 10} {
		if step*m >= least {
			step *= m
			break
		}
	}
	var out []float64
	for k := math.Ceil(low / step); k*step <= high; k++ {
		out = append(out, k*step)
	}
	return out
}

func dateTicks(x scale, n int) []tick {
	const day = 24 * 60 * 60
	layout, days := "2 Jan", 1.0
	for _, days = range []float64{1, 2, 7, 14, 28, 56, 91, 182, 364, 728, 1820, 3640} {
		if (x.to-x.from)/(days*day) <= float64(max(n, 2)) {
			break
		}
	}
	if x.to-x.from > 300*day {
		layout = "Jan 2006"
	}
	var out []tick
	for at := math.Ceil(x.from/day) * day; at <= x.to; at += days * day {
		out = append(out, tick{At: round(x.at(at)), Word: time.Unix(int64(at), 0).UTC().Format(layout)})
	}
	return out
}

func (c *chart) drawLimits(t advise.Trace, y scale) {
	limit, ok := t.Limit.Get()
	if !ok {
		return
	}
	for _, value := range []float64{limit, -limit} {
		if y.holds(value) {
			at := round(y.at(value))
			c.Limits = append(c.Limits, tick{At: at, Text: at - 5, Word: "limit " + phrase.Signed(value, 0) + "\u00a0%"})
		}
	}
}

// drawLevel draws the model's line and band, broken at every gap and new pair.
func (c *chart) drawLevel(t advise.Trace, v chartView, x, y scale) {
	inside := func(value float64) float64 { return min(max(value, y.from), y.to) }
	for _, run := range runs(downsample(t.Points, mostDots), v.x) {
		var line, up, down strings.Builder
		for i, p := range run {
			step(&line, x.at(v.x(p)), y.at(inside(p.Level)))
			step(&up, x.at(v.x(p)), y.at(inside(p.Level+z80*p.SD)))
			back := run[len(run)-1-i]
			fmt.Fprintf(&down, "L%s %s", coord(x.at(v.x(back))), coord(y.at(inside(back.Level-z80*back.SD))))
		}
		if len(run) > 1 {
			c.Level = append(c.Level, line.String())
			c.Band = append(c.Band, up.String()+down.String()+"z")
		}
	}
}

func (c *chart) drawFan(t advise.Trace, x, y scale) {
	if len(t.Fan) < 2 {
		return
	}
	inside := func(value float64) float64 { return min(max(value, y.from), y.to) }
	var up, mid, down, low strings.Builder
	for i, f := range t.Fan {
		step(&up, x.at(float64(f.Arcs)), y.at(inside(f.P90)))
		step(&mid, x.at(float64(f.Arcs)), y.at(inside(f.P50)))
		step(&low, x.at(float64(f.Arcs)), y.at(inside(f.P10)))
		back := t.Fan[len(t.Fan)-1-i]
		fmt.Fprintf(&down, "L%s %s", coord(x.at(float64(back.Arcs))), coord(y.at(inside(back.P10))))
	}
	c.Fan = []string{up.String() + down.String() + "z"}
	c.FanEdges = []string{up.String(), low.String()}
	c.FanMid = []string{mid.String()}
}

func markWord(what string) string {
	switch what {
	case "replaced":
		return "new pair"
	case "unlogged":
		return "counter fell"
	default:
		return what
	}
}

// drawMarks puts a line at every service; words that would run into each other
// go on two rows, and one with no room at all goes without: the table has it.
func (c *chart) drawMarks(t advise.Trace, v chartView, x scale) {
	ends := [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, m := range t.Marks {
		at := float64(m.Arcs)
		if v.byDate {
			at = stamp(m.Time)
		}
		if !x.holds(at) {
			continue
		}
		mark := chartMark{At: round(x.at(at)), Anchor: "start"}
		word := markWord(m.What)
		wide := 7 * float64(len(word)) // about the width of a 13 px letter
		from := mark.At
		if mark.At+wide > c.Right {
			mark.Anchor, from = "end", mark.At-wide
		}
		for row := range ends {
			if from > ends[row]+4 {
				mark.Word, mark.Text, ends[row] = word, c.Top-4-14*float64(row), from+wide
				break
			}
		}
		c.Marks = append(c.Marks, mark)
	}
}

// drawDots sets one sign per attempt; an attempt without a number is on the
// foot line, so that pass and fail are still seen. One beyond the axes is at the edge, as
// an arrow that points to where it is.
func (c *chart) drawDots(t advise.Trace, v chartView, x, y scale) {
	var pass, young, badEnd, fail, beyond strings.Builder
	clipped := 0
	for _, p := range downsample(t.Points, mostDots) {
		px, py := x.at(v.x(p)), c.Bottom-6
		value, known := v.y(p).Get()
		if known {
			py = y.at(value)
		}
		if arrow, out := clip(px, py, x, y); out {
			clipped++
			beyond.WriteString(arrow)
			continue
		}
		switch {
		case !p.Passed && !p.BadEnd:
			fail.WriteString(cross(px, py, 4))
		case p.BadEnd:
			fmt.Fprintf(&badEnd, "M%s %sv8m-4-4h8", coord(px), coord(py-4))
		case p.Conditioning:
			young.WriteString(ring(px, py, 3.5))
		default:
			pass.WriteString(ring(px, py, 3))
		}
	}
	if clipped > 0 {
		c.Clipped = phrase.Count(clipped, "attempt") + " beyond the axes, marked by arrows at the edge."
	}
	for _, d := range []dots{{"pass", pass.String()}, {"young", young.String()}, {"bad-end", badEnd.String()}, {"fail", fail.String()}, {"beyond", beyond.String()}} {
		if d.Path != "" {
			c.Dots = append(c.Dots, d)
		}
	}
}

func (c *chart) describe(t advise.Trace, v chartView) {
	kind := "at reference air"
	if v.raw {
		kind = "as measured"
	}
	c.Title = fmt.Sprintf("Required power of %s over %s, %s", v.machine, c.XWord, kind)
	failed := 0
	for _, p := range t.Points {
		if !p.Passed {
			failed++
		}
	}
	c.Desc = fmt.Sprintf("%s, %d failed.", phrase.Count(len(t.Points), "attempt"), failed)
	if last := t.Points[len(t.Points)-1]; hasLevel(last) {
		c.Desc += fmt.Sprintf(" The arc now needs %s, give or take %.1f\u00a0%%.", pct(drift.Some(last.Level)), z80*last.SD)
	}
	if t.Limit.Known() {
		c.Desc += fmt.Sprintf(" The machine can go to %s.", pct(t.Limit))
	}
	if len(t.Fan) > 0 {
		end := t.Fan[len(t.Fan)-1]
		c.Desc += fmt.Sprintf(" At %s arcs the forecast is between %s and %s.", phrase.Integer(end.Arcs), pct(drift.Some(end.P10)), pct(drift.Some(end.P90)))
	}
	if c.Clipped != "" {
		c.Desc += " " + c.Clipped
	}
	c.Desc += " The same numbers are in the table below."
}

// runs cuts the points the model has a level for where the pair changes and
// where a gap is many times the usual step: a gap is drawn as a gap.
func runs(points []advise.Point, x func(advise.Point) float64) [][]advise.Point {
	const gap = 8
	var steps []float64
	for i := 1; i < len(points); i++ {
		if d := x(points[i]) - x(points[i-1]); d > 0 {
			steps = append(steps, d)
		}
	}
	longest := math.Inf(1)
	if len(steps) > 0 {
		slices.Sort(steps)
		longest = gap * steps[len(steps)/2]
	}
	var out [][]advise.Point
	var run []advise.Point
	for _, p := range points {
		if !hasLevel(p) {
			continue
		}
		if n := len(run); n > 0 && (run[n-1].Pair != p.Pair || x(p)-x(run[n-1]) > longest) {
			out, run = append(out, run), nil
		}
		run = append(run, p)
	}
	if len(run) > 0 {
		out = append(out, run)
	}
	return out
}

// downsample keeps about most points: every failed one first, of the others each k-th.
func downsample(points []advise.Point, most int) []advise.Point {
	if len(points) <= most {
		return points
	}
	k := (len(points) + most - 1) / most
	var out []advise.Point
	for i, p := range points {
		if i%k == 0 || i == len(points)-1 || !p.Passed && len(out) < most {
			out = append(out, p)
		}
	}
	return out
}

func step(b *strings.Builder, x, y float64) {
	sign := "L"
	if b.Len() == 0 {
		sign = "M"
	}
	b.WriteString(sign + coord(x) + " " + coord(y))
}

func cross(x, y, r float64) string {
	d := coord(2 * r)
	return fmt.Sprintf("M%s %sl%s %sm0-%sl-%s %s", coord(x-r), coord(y-r), d, d, d, d, d)
}

func ring(x, y, r float64) string {
	return fmt.Sprintf("M%s %sa%s %s 0 1 0 %s 0a%s %s 0 1 0 %s 0z", coord(x-r), coord(y), coord(r), coord(r), coord(2*r), coord(r), coord(r), coord(-2*r))
}

// round to a tenth of a unit: finer than any screen, short to send.
func round(v float64) float64 { return math.Round(10*v) / 10 }

func coord(v float64) string { return strconv.FormatFloat(round(v), 'f', -1, 64) }
