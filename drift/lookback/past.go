package lookback

import (
	"math"
	"sort"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Past is one machine's history, as far as it is known at a moment.
type Past struct {
	Machine  string
	Kind     *model.Params
	Settings drift.Settings
	// Zone is the machine's, UTC if nil.
	Zone *time.Location
	// Entries are ordered, corrected and counted; Events are those of the model that
	// they are read as, in the same order.
	Entries []drift.Entry
	Events  []model.Event
}

func (p *Past) zone() *time.Location {
	if p.Zone == nil {
		return time.UTC
	}
	return p.Zone
}

// day is the local day of a moment.
func (p *Past) day(at time.Time) string { return at.In(p.zone()).Format(time.DateOnly) }

// piece is a stretch of work: one pair, one local day, between two events.
type piece struct {
	from, to time.Time
	day      string
	// after is the index of the event before it, -1 for none.
	after int
	pair  int
	// start and end are arcs on the pair.
	start, end float64
	site       string
}

func (c *piece) arcs() float64 { return c.end - c.start }

func (c *piece) middle() time.Time { return c.from.Add(c.to.Sub(c.from) / 2) }

// pieces cuts the time from one moment to another into pieces of work. Between two
// events the arcs are spread over the working hours.
func (p *Past) pieces(from, to time.Time) []piece {
	var out []piece
	pace := p.pace()
	sites := p.sites()
	for i := -1; i < len(p.Events); i++ {
		begin, end := from, to
		start, burnt, pair := 0.0, 0.0, 0
		if i >= 0 {
			begin, start, pair = p.Events[i].Time, p.Events[i].Arcs, p.Events[i].Pair
		}
		if i+1 < len(p.Events) {
			end = p.Events[i+1].Time
		}
		if !begin.Before(to) || !end.After(from) || !end.After(begin) {
			continue
		}
		switch next := i + 1; {
		case i < 0:
			continue // nothing is known of the time before the first event
		case next < len(p.Events) && p.Events[next].Pair == pair:
			burnt = p.Events[next].Arcs - start
			if p.Events[next].Kind == model.Attempt {
				burnt -= float64(max(p.Events[next].Tries, 1))
			}
		default: // another pair, or nothing yet: there is no count
			burnt = pace * min(p.hours(begin, end)/dayHours, mostDays)
		}
		out = append(out, p.cut(piece{from: begin, to: end, after: i, pair: pair, start: start, end: start + max(burnt, 0)}, from, to)...)
	}
	return sites.split(out)
}

// mostDays of work are guessed without a count.
const mostDays = 7

// pace is the machine's median arcs per working day, where there is a counter.
func (p *Past) pace() float64 {
	var paces []float64
	for i := 1; i < len(p.Events); i++ {
		a, b := &p.Events[i-1], &p.Events[i]
		if days := p.hours(a.Time, b.Time) / dayHours; a.Pair == b.Pair && days > 0.3 && !b.Estimated {
			paces = append(paces, (b.Arcs-a.Arcs)/days)
		}
	}
	if len(paces) == 0 {
		return usualPace
	}
	sort.Float64s(paces)
	return min(paces[len(paces)/2], drift.MostArcsPerDay)
}

// usualPace is the arcs a day of a machine that has reported none. A guess.
const usualPace = 40.0

// The working hours of a day; outside them work is rare (a guess, as are all four).
const (
	workFrom, workTo = 6, 19
	rare             = 0.02
	dayHours         = workTo - workFrom + rare*(24-workTo+workFrom)
)

// hours counts working hours between two moments.
func (p *Past) hours(from, to time.Time) (sum float64) {
	for from.Before(to) {
		local := from.In(p.zone())
		day := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, p.zone())
		until := day.AddDate(0, 0, 1)
		if until.After(to) {
			until = to
		}
		a, b := from.Sub(day).Hours(), until.Sub(day).Hours()
		within := max(min(b, workTo)-max(a, workFrom), 0)
		sum += within + rare*(b-a-within)
		from = until
	}
	return sum
}

// cut divides a stretch at local midnights and keeps what lies between from and to.
func (p *Past) cut(whole piece, from, to time.Time) []piece {
	total := p.hours(whole.from, whole.to)
	rate := 0.0
	if total > 0 {
		rate = whole.arcs() / total
	}
	var out []piece
	at, arcs := whole.from, whole.start
	for at.Before(whole.to) {
		local := at.In(p.zone())
		until := time.Date(local.Year(), local.Month(), local.Day()+1, 0, 0, 0, 0, p.zone())
		if until.After(whole.to) {
			until = whole.to
		}
		c := whole
		c.from, c.to, c.day = at, until, p.day(at)
		c.start, c.end = arcs, arcs+rate*p.hours(at, until)
		at, arcs = until, c.end
		if c.to.After(from) && c.from.Before(to) {
			out = append(out, c)
		}
	}
	return out
}

// stays are the places that records name, in time order.
type stays []struct {
	at   time.Time
	site string
}

func (p *Past) sites() (out stays) {
	for i := range p.Entries {
		if e := &p.Entries[i]; e.Site != "" {
			out = append(out, struct {
				at   time.Time
				site string
			}{e.When(), e.Site})
		}
	}
	return out
}

// at is where the machine was: what the last record before says.
func (s stays) at(t time.Time) string {
	i := sort.Search(len(s), func(i int) bool { return s[i].at.After(t) })
	switch {
	case len(s) == 0:
		return ""
	case i == 0:
		return s[0].site
	}
	return s[i-1].site
}

// split says where each piece of work was done. Where the next record was written
// elsewhere on the same day, the machine moved on the way: half of the work was there.
func (s stays) split(all []piece) (out []piece) {
	for _, c := range all {
		c.site = s.at(c.from)
		there := s.at(c.to)
		if there == c.site {
			out = append(out, c)
			continue
		}
		first, second := c, c
		first.to, first.end = c.middle(), (c.start+c.end)/2
		second.from, second.start, second.site = first.to, first.end, there
		out = append(out, first, second)
	}
	return out
}

// around returns the attempts before and after a moment, nil for none.
func (p *Past) around(t time.Time) (before, after *model.Event) {
	i := sort.Search(len(p.Events), func(i int) bool { return p.Events[i].Time.After(t) })
	for j := i - 1; j >= 0 && before == nil; j-- {
		if p.Events[j].Kind == model.Attempt {
			before = &p.Events[j]
		}
	}
	for ; i < len(p.Events) && after == nil; i++ {
		if p.Events[i].Kind == model.Attempt {
			after = &p.Events[i]
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
			nearest = ev
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

// airAt is the air at a moment and place, and the doubt about it.
func (p *Past) airAt(site string, t time.Time, sites stays) (air [3]float64, doubt float64) {
	before, after := p.around(t)
	there := func(ev *model.Event) bool { return ev != nil && (site == "" || sites.at(ev.Time) == site) }
	near := func(ev *model.Event) bool { return there(ev) && math.Abs(ev.Time.Sub(t).Hours()) < 36 }
	switch {
	case near(before) && near(after):
		share := t.Sub(before.Time).Hours() / max(after.Time.Sub(before.Time).Hours(), 1e-3)
		for i := range air {
			air[i] = before.Air[i] + share*(after.Air[i]-before.Air[i])
		}
		return air, airNear
	case near(before):
		return before.Air, airNear
	case near(after):
		return after.Air, airNear
	}
	if ev := p.lastThere(site, t, sites); ev != nil {
		return ev.Air, airThere
	}
	switch {
	case before != nil:
		return before.Air, airFar
	case after != nil:
		return after.Air, airFar
	}
	return air, airFar
}
