package web

import (
	"context"
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

// patience is how long the board waits for drawings; what is not traced by then
// follows with the next look. Who must not leave the yard does not wait.
const patience = time.Second

// traceCache keeps what was traced until the machine's own answer changes, so
// that a board that many people look at asks the model once per news. One is
// traced at a time: drawing may not take the whole of a small computer.
type traceCache struct {
	turn chan struct{} // held by the one who traces
	mu   sync.Mutex
	kept map[string]keptTrace
}

func newTraceCache() *traceCache {
	return &traceCache{turn: make(chan struct{}, 1), kept: map[string]keptTrace{}}
}

type keptTrace struct {
	data  advise.Data
	drift advise.Drift
	trace advise.Trace
}

func (c *traceCache) get(a *advise.Assessment) (advise.Trace, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, ok := c.kept[a.Machine]
	return k.trace, ok && k.data == a.Data && k.drift == a.Drift
}

func (c *traceCache) put(a *advise.Assessment, t advise.Trace) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.kept) >= mostTraces {
		c.kept = map[string]keptTrace{}
	}
	c.kept[a.Machine] = keptTrace{a.Data, a.Drift, t}
}

// trace returns what the model saw of a machine up to now. It waits for its turn
// until ctx ends; a trace once begun is finished and kept.
func (s *Server) trace(ctx context.Context, a *advise.Assessment) (advise.Trace, error) {
	if t, ok := s.traces.get(a); ok {
		return t, nil
	}
	select {
	case s.traces.turn <- struct{}{}:
		defer func() { <-s.traces.turn }()
	case <-ctx.Done():
		return advise.Trace{}, ctx.Err()
	}
	if t, ok := s.traces.get(a); ok { // traced while this one waited
		return t, nil
	}
	t, err := s.Fleet.Trace(a.Machine, s.Now())
	if err != nil {
		return t, fmt.Errorf("web: trace of %s: %w", a.Machine, err)
	}
	s.traces.put(a, t)
	return t, nil
}

// traceShown returns the traces of the machines of a page that are there when
// ctx ends at the latest; whole says whether that is all of them.
func (s *Server) traceShown(ctx context.Context, shown []*Machine) (traces map[string]advise.Trace, whole bool, err error) {
	done := make(chan error, 1)
	go func() {
		for _, m := range shown {
			if ctx.Err() != nil {
				break
			}
			if _, err := s.trace(ctx, &m.Assessment); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	select {
	case err = <-done:
	case <-ctx.Done():
	}
	if err != nil && ctx.Err() == nil {
		return nil, false, err
	}
	traces = map[string]advise.Trace{}
	for _, m := range shown {
		if t, ok := s.traces.get(&m.Assessment); ok {
			traces[m.Machine] = t
		}
	}
	return traces, len(traces) == len(shown), nil
}

// addTrends draws a panel for every row that is traced, all on one scale.
func (v *boardView) addTrends(traces map[string]advise.Trace, to time.Time) {
	from := to.AddDate(0, 0, -v.Filter.Days)
	low, high, some := 0.0, 0.0, false
	for name, t := range traces {
		t.Points = between(t.Points, from, to)
		traces[name] = t
		for _, p := range t.Points {
			if hasLevel(p) {
				low, high, some = min(low, p.Level), max(high, p.Level), true
			}
		}
	}
	if !some {
		return
	}
	room := 0.1*(high-low) + 0.5
	low, high = low-room, high+room
	v.Scale = fmt.Sprintf("%s to %s\u00a0%%", signed(low, 0), signed(high, 0))
	for i := range v.Rows {
		if t, ok := traces[v.Rows[i].Machine]; ok {
			v.Rows[i].Trend = drawTrend(t, scale{stamp(from), stamp(to), trendPad, trendWidth - trendPad}, scale{low, high, trendHeight - trendPad, trendPad})
		}
	}
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
