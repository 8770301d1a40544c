package lookback

import (
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

	days *calendar // of a copy that answers a question
}

// ready is the history with what a question needs again and again.
func (p *Past) ready() *Past {
	if p.days != nil {
		return p
	}
	some := *p
	some.days = p.calendar()
	return &some
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
	p = p.ready()
	days := p.days
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
			burnt = days.pace * min(days.hours(begin, end)/dayHours, mostDays)
		}
		out = append(out, days.cut(piece{from: begin, to: end, after: i, pair: pair, start: start, end: start + max(burnt, 0)}, from, to)...)
	}
	return sites.split(out)
}

// mostDays of work are guessed without a count.
const mostDays = 7

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
