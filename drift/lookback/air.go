package lookback

import (
	"math"
	"sort"
	"time"

	"arcdrift/drift/model"
)

// around returns the attempts before and after a moment, nil for none.
func (p *Past) around(t time.Time) (before, after *model.Event) {
	i := sort.Search(len(p.Events), func(i int) bool { return p.Events[i].Time.After(t) })
	for j := i - 1; j >= 0 && before == nil; j-- {
		if p.Events[j].Kind == model.Attempt {
			before = p.Kind.Placed(&p.Events[j])
		}
	}
	for ; i < len(p.Events) && after == nil; i++ {
		if p.Events[i].Kind == model.Attempt {
			after = p.Kind.Placed(&p.Events[i])
		}
	}
	return before, after
}

// lastThere is the attempt at a place nearest in time, nil for none.
func (p *Past) lastThere(site string, t time.Time, sites stays) (nearest *model.Event) {
	for i := range p.Events {
		ev := &p.Events[i]
		if ev.Kind != model.Attempt || site == "" || sites.at(ev.Time) != site {
			continue
		}
		if nearest == nil || ev.Time.Sub(t).Abs() < nearest.Time.Sub(t).Abs() {
			nearest = p.Kind.Placed(ev)
		}
	}
	return nearest
}

// Doubt about the air, in log percent: where calibrations in the same place before or
// after tell it, where the machine's others in that place do, and where none does. Some
// degrees and hectopascals; guesses.
const (
	airNear  = 0.5
	airThere = 0.7
	airFar   = 1.5
)

// weather tells the air at splices from that of the machine's calibrations.
type weather struct {
	past  *Past
	sites stays
	day   model.Daytime
}

func (p *Past) weather() *weather {
	return &weather{past: p, sites: p.sites(), day: p.ready().days.day}
}

// at is the air of a piece of work, and the doubt about it: that of calibrations in the
// same place, as much warmer as the hours of the work are than theirs.
func (w *weather) at(c *piece) (air [3]float64, doubt float64) {
	t := c.middle()
	before, after := w.past.around(t)
	there := func(ev *model.Event) bool { return ev != nil && (c.site == "" || w.sites.at(ev.Time) == c.site) }
	near := func(ev *model.Event) bool { return there(ev) && math.Abs(ev.Time.Sub(t).Hours()) < 36 }
	phase := w.day.WorkPhase(c.from, c.to)
	warmed := func(ev *model.Event) [3]float64 { return w.day.Warmed(ev, phase) }
	switch {
	case near(before) && near(after):
		share := t.Sub(before.Time).Hours() / max(after.Time.Sub(before.Time).Hours(), 1e-3)
		one, other := warmed(before), warmed(after)
		for i := range air {
			air[i] = one[i] + share*(other[i]-one[i])
		}
		return air, airNear
	case near(before):
		return warmed(before), airNear
	case near(after):
		return warmed(after), airNear
	}
	if ev := w.past.lastThere(c.site, t, w.sites); ev != nil {
		return warmed(ev), airThere
	}
	switch {
	case before != nil:
		return warmed(before), airFar
	case after != nil:
		return warmed(after), airFar
	}
	return air, airFar
}
