package fleet

import (
	"math"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Trace is what the model saw of one machine up to asOf, and its forecast of
// required power from there.
func (f *Fleet) Trace(machine string, asOf time.Time) (advise.Trace, error) {
	g, err := f.at(asOf)
	if err != nil {
		return advise.Trace{}, err
	}
	l, err := g.life(g.setups.Named(machine))
	if err != nil {
		return advise.Trace{}, err
	}
	return trace(l, g.pop), nil
}

func trace(l *life, pop *model.Population) advise.Trace {
	m := model.NewMachine(l.name, pop.For(l.Key))
	out := advise.Trace{Limit: m.Params().Limit}
	pair := 0
	moves := l.moves()
	for i := range l.events {
		ev := &l.events[i]
		for len(moves) > 0 && !moves[0].After(ev.Time) {
			out.Marks = append(out.Marks, advise.Mark{Time: moves[0], Pair: ev.Pair, Arcs: int64(ev.Arcs), What: "moved"})
			moves = moves[1:]
		}
		if ev.Pair != pair && ev.Kind == model.Attempt {
			out.Marks = append(out.Marks, mark(ev, "unlogged"))
		}
		pair = ev.Pair
		if what, ok := marks[ev.Kind]; ok {
			out.Marks = append(out.Marks, mark(ev, what))
		}
		step := m.Update(ev)
		if ev.Kind == model.Attempt {
			out.Points = append(out.Points, point(ev, m, step))
		}
	}
	if m.Attempts() > 0 {
		for _, p := range forecast.Fan(m, l.plan(m, glancePaths, forecast.Horizon)) {
			out.Fan = append(out.Fan, advise.FanPoint{Arcs: int64(p.Arcs), P10: p.P10, P50: p.P50, P90: p.P90})
		}
	}
	return out
}

// moves are the times at which a record names another site than the one before.
func (l *life) moves() (out []time.Time) {
	site := ""
	for i := range l.entries {
		e := &l.entries[i]
		if e.Site == "" || e.Decision != nil {
			continue
		}
		if site != "" && !strings.EqualFold(site, e.Site) {
			out = append(out, e.When())
		}
		site = e.Site
	}
	return out
}

var marks = map[model.Kind]string{
	model.Cleaned: "cleaned", model.Replaced: "replaced", model.Inspected: "inspected", model.Unlogged: "unlogged",
}

func mark(ev *model.Event, what string) advise.Mark {
	return advise.Mark{Time: ev.Time, Pair: ev.Pair, Arcs: int64(ev.Arcs), What: what}
}

func point(ev *model.Event, m *model.Machine, step model.Step) advise.Point {
	level, sd := m.Level()
	p := advise.Point{
		ID: ev.ID, Time: ev.Time, Pair: ev.Pair, Arcs: int64(ev.Arcs), Attempt: ev.Ordinal,
		Level: model.Pct(level), SD: sd * math.Exp(level/100), Scatter: m.Scatter(), Passed: ev.Passed,
		Conditioning: ev.Conditioning, BadEnd: step.BadEnd > 0.5,
	}
	if !math.IsNaN(step.Raw) {
		p.Raw, p.Reference = drift.Some(model.Pct(step.Raw)), drift.Some(model.Pct(step.Reference))
	}
	return p
}
