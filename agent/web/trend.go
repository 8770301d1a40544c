package web

import (
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Size of a trend line in its own units; the style stretches it.
const (
	trendWidth, trendHeight = 240.0, 48.0
	trendPad                = 3.0
)

// trend is one small panel: required power over the chosen days, on the scale
// that all panels of the page share.
type trend struct {
	Label        string
	Lines, Fails []string
	Limit, Zero  string
}

// mostTraces is how many machines' traces are kept: more than a few screens show.
const mostTraces = 256

// traceCache keeps what was traced until the machine's own answer changes, so
// that a board that many people look at asks the model once per news. One is
// traced at a time: drawing may not take the whole of a small computer.
type traceCache struct {
	mu   sync.Mutex
	kept map[string]keptTrace
}

type keptTrace struct {
	data  advise.Data
	drift advise.Drift
	trace advise.Trace
}

// trace returns what the model saw of a machine up to now.
func (s *Server) trace(a *advise.Assessment) (advise.Trace, error) {
	c := &s.traces
	c.mu.Lock()
	defer c.mu.Unlock()
	if k, ok := c.kept[a.Machine]; ok && k.data == a.Data && k.drift == a.Drift {
		return k.trace, nil
	}
	t, err := s.Fleet.Trace(a.Machine, s.Now())
	if err != nil {
		return t, fmt.Errorf("web: trace of %s: %w", a.Machine, err)
	}
	if c.kept == nil || len(c.kept) >= mostTraces {
		c.kept = map[string]keptTrace{}
	}
	c.kept[a.Machine] = keptTrace{a.Data, a.Drift, t}
	return t, nil
}

// addTrends draws a panel for every row, all on one scale.
func (s *Server) addTrends(view *boardView, shown []*Machine) error {
	to := s.Now()
	from := to.AddDate(0, 0, -view.Filter.Days)
	traces := make([]advise.Trace, len(shown))
	low, high := 0.0, 0.0
	any := false
	for i, m := range shown {
		t, err := s.trace(&m.Assessment)
		if err != nil {
			return err
		}
		t.Points = between(t.Points, from, to)
		traces[i] = t
		for _, p := range t.Points {
			if hasLevel(p) {
				low, high, any = min(low, p.Level), max(high, p.Level), true
			}
		}
	}
	if !any {
		return nil
	}
	room := 0.1*(high-low) + 0.5
	low, high = low-room, high+room
	view.Scale = fmt.Sprintf("%s to %s\u00a0%%", signed(low, 0), signed(high, 0))
	for i := range traces {
		view.Rows[i].Trend = drawTrend(traces[i], scale{stamp(from), stamp(to), trendPad, trendWidth - trendPad}, scale{low, high, trendHeight - trendPad, trendPad})
	}
	return nil
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

func drawTrend(t advise.Trace, x, y scale) *trend {
	out := &trend{Label: "no attempts in this time"}
	limit, known := t.Limit.Get()
	if known && y.holds(limit) {
		out.Limit = fmt.Sprintf("M%s %sH%s", coord(x.a), coord(y.at(limit)), coord(x.b))
	}
	if y.holds(0) {
		out.Zero = fmt.Sprintf("M%s %sH%s", coord(x.a), coord(y.at(0)), coord(x.b))
	}
	if len(t.Points) == 0 {
		return out
	}
	points := thin(t.Points, 120)
	for _, run := range runs(points, func(p advise.Point) float64 { return stamp(p.Time) }) {
		var line strings.Builder
		for _, p := range run {
			step(&line, x.at(stamp(p.Time)), y.at(p.Level))
		}
		if len(run) == 1 { // a lone point still shows
			line.WriteString("h1")
		}
		out.Lines = append(out.Lines, line.String())
	}
	fails := 0
	for _, p := range t.Points {
		if p.Passed {
			continue
		}
		fails++
		if len(out.Fails) < 60 {
			out.Fails = append(out.Fails, cross(x.at(stamp(p.Time)), trendHeight-5, 2.5))
		}
	}
	out.Label = "required power: " + plural(len(t.Points), "attempt", "attempts") + ", " + whole(int64(fails)) + " failed"
	first, last := t.Points[0], t.Points[len(t.Points)-1]
	if hasLevel(first) && hasLevel(last) {
		out.Label += fmt.Sprintf(", from %s to %s", pct(drift.Some(first.Level)), pct(drift.Some(last.Level)))
	}
	return out
}
