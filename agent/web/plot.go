package web

import (
	"fmt"
	"math"
	"strings"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/health"
	"arcdrift/drift/phrase"
)

// plot is a chart over time with all places worked out; the template only writes them
// down. Its values stand in a table on the page, in the columns that it names.
type plot struct {
	ID, Title, Desc          string
	Width, Height            float64
	Left, Right, Top, Bottom float64
	Y, X                     []tick
	Shapes                   []dots
	Words                    []plotWord
	Columns                  string
	Key                      []keyPart
}

type plotWord struct {
	X, Y float64
	Word string
}

type keyPart struct{ Kind, Word string }

// plotTable are the values of all plots of a page.
type plotTable struct {
	Caption string
	Head    []string
	Rows    []plotRow
}

// plotRow are the values of one part of the time; At is where its middle is, from 0 at the
// left of a chart to 1.
type plotRow struct {
	Name  string
	At    string
	Cells []string
}

// timeline is the time of the plots of a page, cut into parts of some days. The last part
// is whole; the first one may be shorter.
type timeline struct {
	from, to health.Day
	bin      int
	parts    []health.Counts
	// states of a part are those of its last day.
	states []health.Counts
}

func timelineOf(g *health.Group, from, to health.Day, bin int) *timeline {
	n := (int(to-from) + bin) / bin
	t := &timeline{from: from, to: to, bin: bin, parts: make([]health.Counts, n), states: make([]health.Counts, n)}
	for i := range g.Days {
		at := t.part(from + health.Day(i))
		t.parts[at].Add(&g.Days[i])
		if day := &g.Days[i]; day.Machines()+day.Pending > 0 {
			t.states[at] = *day
		}
	}
	return t
}

// part is the part that a day is in.
func (t *timeline) part(day health.Day) int { return len(t.parts) - 1 - int(t.to-day)/t.bin }

// last is the last day of a part.
func (t *timeline) last(part int) health.Day {
	return t.to - health.Day((len(t.parts)-1-part)*t.bin)
}

// The size of a plot in its own units, about CSS pixels.
const plotWidth, plotHeight = 440.0, 190.0

func (t *timeline) plot(id, title string) *plot {
	p := &plot{ID: id, Title: title, Width: plotWidth, Height: plotHeight, Left: 46, Right: plotWidth - 8, Top: 14, Bottom: plotHeight - 26}
	x := scale{float64(t.from) * 86400, float64(t.to+1) * 86400, p.Left, p.Right}
	p.X = dateTicks(x, 5)
	for i := range p.X {
		p.X[i].Text, p.X[i].Anchor = p.Bottom+17, "middle"
		if p.X[i].At+3.5*float64(len(p.X[i].Word)) > p.Width {
			p.X[i].Anchor = "end"
		}
	}
	return p
}

// x are the left end and the width of the bar of a part.
func (p *plot) x(t *timeline, part int) (at, wide float64) {
	all := (p.Right - p.Left) / float64(len(t.parts))
	gap := min(1, all/5)
	return p.Left + float64(part)*all, all - gap
}

// rise sets up an axis from 0 to at least most, and returns its scale.
func (p *plot) rise(most float64, unit string) scale {
	ticks := niceTicks(0, max(most, 1), 4)
	if step := ticks[1] - ticks[0]; most > ticks[len(ticks)-1] {
		ticks = append(ticks, ticks[len(ticks)-1]+step)
	}
	y := scale{0, max(most, ticks[len(ticks)-1]), p.Bottom, p.Top}
	for _, v := range ticks {
		if v == math.Trunc(v) {
			p.Y = append(p.Y, tick{At: round(y.at(v)), Text: round(y.at(v) + 4), Word: phrase.Integer(int64(v)) + unit})
		}
	}
	return y
}

// bars draws a bar for each part, from one value to another.
func (p *plot) bars(t *timeline, kind string, y scale, from, to func(part int) float64) {
	var b strings.Builder
	for i := range t.parts {
		low, high := y.at(from(i)), y.at(to(i))
		if low == high {
			continue
		}
		at, wide := p.x(t, i)
		fmt.Fprintf(&b, "M%s %sh%sV%sh-%sz", coord(at), coord(low), coord(wide), coord(high), coord(wide))
	}
	if b.Len() > 0 {
		p.Shapes = append(p.Shapes, dots{kind, b.String()})
	}
}

// drawStates stacks the machines by state, those that need somebody at the foot.
func (t *timeline) drawStates() *plot {
	p := t.plot("states", "Machines by state")
	most, pending := 0, 0
	for i := range t.states {
		most = max(most, t.states[i].Machines()+t.states[i].Pending)
		if t.states[i].Pending > 0 {
			pending++
		}
	}
	y := p.rise(float64(most), "")
	base := make([]float64, len(t.states))
	stack := func(kind, word string, count func(c *health.Counts) int) {
		p.bars(t, kind, y, func(i int) float64 { return base[i] }, func(i int) float64 { return base[i] + float64(count(&t.states[i])) })
		for i := range base {
			base[i] += float64(count(&t.states[i]))
		}
		p.Key = append(p.Key, keyPart{kind, word})
	}
	for i, state := range advise.States() {
		stack("s-"+string(state), phrase.State(state), func(c *health.Counts) int { return c.States[i] })
	}
	if pending > 0 {
		stack("s-pending", "not computed yet", func(c *health.Counts) int { return c.Pending })
	}
	p.Columns = "0 1 2 3 4"
	p.Desc = "Machines in each state, at the end of " + binWord(t.bin) + "."
	return p
}

// drawFirstTry draws the share of calibrations that passed at the first try.
func (t *timeline) drawFirstTry(total *health.Counts) *plot {
	p := t.plot("first-try", "Passed at the first try")
	y := p.rise(100, "\u00a0%")
	var line, points, band, back strings.Builder
	flush := func() {
		if band.Len() > 0 {
			p.Shapes = append(p.Shapes, dots{"band", band.String() + back.String() + "z"})
			p.Shapes = append(p.Shapes, dots{"level", line.String()})
		}
		line.Reset()
		band.Reset()
		back.Reset()
	}
	for i := range t.parts {
		c := &t.parts[i]
		if c.Sessions == 0 {
			flush()
			continue
		}
		share, low, high := health.Share(c.FirstTry, c.Sessions, z80)
		at, wide := p.x(t, i)
		x := at + wide/2
		step(&line, x, y.at(100*share))
		step(&band, x, y.at(100*high))
		was := back.String()
		back.Reset()
		fmt.Fprintf(&back, "L%s %s%s", coord(x), coord(y.at(100*low)), was)
		if len(t.parts) <= 40 {
			points.WriteString(ring(x, y.at(100*share), 2.5))
		}
	}
	flush()
	if points.Len() > 0 {
		p.Shapes = append(p.Shapes, dots{"pass", points.String()})
	}
	p.Columns = "5 6"
	p.Key = []keyPart{{"band", "range for 8 in 10"}}
	p.Desc = shareOf(total.FirstTry, total.Sessions) + " calibrations passed at the first try."
	return p
}

// drawFailed counts the failed tries.
func (t *timeline) drawFailed(total *health.Counts) *plot {
	p := t.plot("failed", "Failed tries")
	most := 0
	for i := range t.parts {
		most = max(most, t.parts[i].Failed)
	}
	y := p.rise(float64(most), "")
	p.bars(t, "fails", y, func(int) float64 { return 0 }, func(i int) float64 { return float64(t.parts[i].Failed) })
	p.Columns = "7 8"
	p.Desc = shareOf(total.Failed, total.Tries) + " tries failed, counted " + binWord(t.bin) + "."
	return p
}

// lane is one row of a plot of several counts.
type lane struct {
	word        string
	back, bar   string // the kinds of the shapes
	whole, part func(c *health.Counts) int
}

// drawLanes draws rows of bars, each on a scale of its own; its word says the sum.
func (t *timeline) drawLanes(id, title, columns string, lanes []lane) *plot {
	p := t.plot(id, title)
	high := (p.Bottom - p.Top) / float64(len(lanes))
	for k, l := range lanes {
		most := 1
		for i := range t.parts {
			most = max(most, l.whole(&t.parts[i]))
		}
		foot := p.Top + high*float64(k+1)
		y := scale{0, float64(most), foot, foot - high + 17}
		none := func(int) float64 { return 0 }
		p.bars(t, l.back, y, none, func(i int) float64 { return float64(l.whole(&t.parts[i])) })
		if l.part != nil {
			p.bars(t, l.bar, y, none, func(i int) float64 { return float64(l.part(&t.parts[i])) })
		}
		p.Words = append(p.Words, plotWord{p.Left + 4, round(foot - high + 12), l.word})
		p.Y = append(p.Y, tick{At: round(foot), Text: round(foot), Word: "0"}, tick{At: round(y.b), Text: round(y.b + 9), Word: phrase.Integer(most)})
	}
	p.Columns = columns
	return p
}

func (t *timeline) drawChecks(total *health.Counts) *plot {
	var lanes []lane
	for i, rule := range health.Rules() {
		c := total.Checks[i]
		lanes = append(lanes, lane{
			word: checkWord(rule) + ": " + shareOf(c.Kept, c.Owed), back: "owed", bar: "made",
			whole: func(c *health.Counts) int { return c.Checks[i].Owed }, part: func(c *health.Counts) int { return c.Checks[i].Kept },
		})
	}
	p := t.drawLanes("checks", "Checks made of those due", "9 10 11", lanes)
	p.Key = []keyPart{{"made", "made"}, {"owed", "due, not made"}}
	p.Desc = "Checks that the rules asked for and how many of them were made, " + binWord(t.bin) + "."
	return p
}

// checkWord says when a rule asks for a check.
func checkWord(rule advise.DueReason) string {
	switch rule {
	case advise.StartOfDay:
		return "before the first use of a day"
	case advise.ElectrodeWork:
		return "after electrode service"
	}
	return "after a move"
}

// drawEvents marks what happened beside the counts: services, moves and alerts.
func (t *timeline) drawEvents(total *health.Counts) *plot {
	one := func(word, kind string, sum int, count func(c *health.Counts) int) lane {
		return lane{word: word + ": " + phrase.Integer(sum), back: kind, whole: count}
	}
	p := t.drawLanes("events", "Services, moves and alerts", "12 13 14 15", []lane{
		one("services", "e-service", total.Services, func(c *health.Counts) int { return c.Services }),
		one("moves to another site", "e-move", total.Moves, func(c *health.Counts) int { return c.Moves }),
		one("alerts that were right", "e-right", total.Right, func(c *health.Counts) int { return c.Right }),
		one("alerts that were wrong", "fails", total.Wrong, func(c *health.Counts) int { return c.Wrong }),
	})
	p.Desc = "Services, moves and alerts that the bench judged, " + binWord(t.bin) + "."
	return p
}

// table are the values of all plots.
func (t *timeline) table() *plotTable {
	out := &plotTable{Caption: "Counted " + binWord(t.bin) + " (UTC). States are those at the end."}
	if t.bin > 1 {
		out.Caption += " Each row is named by its last day."
	}
	for _, state := range advise.States() {
		out.Head = append(out.Head, phrase.State(state))
	}
	out.Head = append(out.Head, "Calibrations", "Passed at first try", "Tries", "Failed tries")
	for _, rule := range health.Rules() {
		out.Head = append(out.Head, "Checks "+checkWord(rule))
	}
	out.Head = append(out.Head, "Services", "Moves", "Alerts right", "Alerts wrong")
	for i := range t.parts {
		c, day := &t.parts[i], t.last(i)
		row := plotRow{Name: phrase.Date(day.Start()), At: coordFine((float64(i) + 0.5) / float64(len(t.parts)))}
		for _, n := range t.states[i].States {
			word := phrase.Integer(n)
			if t.states[i].Pending > 0 {
				word = phrase.Unknown
			}
			row.Cells = append(row.Cells, word)
		}
		for _, n := range []int{c.Sessions, c.FirstTry, c.Tries, c.Failed} {
			row.Cells = append(row.Cells, phrase.Integer(n))
		}
		for _, tally := range c.Checks {
			row.Cells = append(row.Cells, tally.String())
		}
		for _, n := range []int{c.Services, c.Moves, c.Right, c.Wrong} {
			row.Cells = append(row.Cells, phrase.Integer(n))
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func coordFine(v float64) string { return fmt.Sprintf("%.4f", v) }

// addCharts draws the plots of an overview.
func (v *overviewView) addCharts(a overviewAsk, b *health.Book, whole health.Group, now time.Time) {
	if b.Until == 0 {
		v.Progress = "The days are being counted. The charts appear here in a moment."
		return
	}
	from, to := a.days(now)
	if whole.Days == nil {
		v.Progress = "No record in this time."
		return
	}
	t := timelineOf(&whole, from, to, a.bin(now))
	v.Plots = []*plot{t.drawStates(), t.drawFirstTry(&whole.Total), t.drawFailed(&whole.Total), t.drawChecks(&whole.Total), t.drawEvents(&whole.Total)}
	v.Table = t.table()
	switch {
	case whole.Total.Pending == 0:
	case b.Stated > b.Until:
		v.Progress = "The states of past days are being computed, the newest month first."
	default:
		v.Progress = "The states of past days are computed back to " + phrase.Date(b.Stated.Start()) + ". Earlier ones follow."
	}
}
