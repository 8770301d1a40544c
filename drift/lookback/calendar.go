package lookback

import (
	"sort"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Outside the working hours work is rare. A guess.
const (
	rare     = 0.02
	dayHours = 13 + rare*11
)

// calendar says when a machine worked: in working hours, and on days without any record
// as much less as its own counter shows.
type calendar struct {
	zone     *time.Location
	day      model.Daytime
	recorded map[time.Time]bool // local midnights
	silent   float64            // work on a day without a record, as a part of that on others
	pace     float64            // arcs per working day
}

// least is the part of a working day from which on an interval tells how much is done.
const least = 0.3

func (p *Past) calendar() *calendar {
	c := &calendar{zone: p.zone(), day: model.LearnDaytime(p.Events, p.zone(), p.sites().at), recorded: map[time.Time]bool{}, silent: 1}
	for i := range p.Entries {
		switch e := &p.Entries[i]; e.Type {
		case drift.TypeSetup, drift.TypeCorrection, drift.TypeDecision: // written at a desk
		default:
			c.recorded[c.midnight(e.When())] = true
		}
	}
	c.learn(p.Events)
	c.pace = c.paceOf(p.Events)
	return c
}

// paceOf is the machine's median arcs per working day, where there is a counter.
func (c *calendar) paceOf(events []model.Event) float64 {
	var paces []float64
	for i := 1; i < len(events); i++ {
		a, b := &events[i-1], &events[i]
		if n := c.hours(a.Time, b.Time) / dayHours; a.Pair == b.Pair && n > least && !b.Estimated {
			paces = append(paces, (b.Arcs-a.Arcs)/n)
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

// learn compares the arcs burnt over days without a record with those over days with one.
func (c *calendar) learn(events []model.Event) {
	const (
		enough = 5   // intervals without a silent day
		prior  = 0.5 // silent days on which as much was done as on others
	)
	n := 0
	var arcs, hours, over, worked, quiet float64
	for i := 1; i < len(events); i++ {
		a, b := &events[i-1], &events[i]
		if a.Pair != b.Pair || b.Estimated {
			continue
		}
		with, without := c.split(a.Time, b.Time)
		switch {
		case without > 0:
			over, worked, quiet = over+b.Arcs-a.Arcs, worked+with, quiet+without
		case with > least*dayHours:
			n, arcs, hours = n+1, arcs+b.Arcs-a.Arcs, hours+with
		}
	}
	if n < enough || arcs <= 0 {
		return
	}
	pace := arcs / hours
	c.silent = min(max((over-pace*worked+pace*prior*dayHours)/(pace*(quiet+prior*dayHours)), rare), 1)
}

// quiet says whether little is done on days without a record: splices that a record counts
// are then not laid on them.
func (c *calendar) quiet() bool {
	const little = 0.2
	return c.silent < little
}

func (c *calendar) midnight(t time.Time) time.Time {
	local := t.In(c.zone)
	return time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, c.zone)
}

// hours counts working hours between two moments.
func (c *calendar) hours(from, to time.Time) float64 {
	with, without := c.split(from, to)
	return with + c.silent*without
}

// split counts those of days with and without a record.
func (c *calendar) split(from, to time.Time) (with, without float64) {
	for from.Before(to) {
		day := c.midnight(from)
		until := day.AddDate(0, 0, 1)
		if until.After(to) {
			until = to
		}
		a, b := from.Sub(day).Hours(), until.Sub(day).Hours()
		within := c.day.Hours(a, b)
		n := within + rare*(b-a-within)
		if c.recorded[day] {
			with += n
		} else {
			without += n
		}
		from = until
	}
	return with, without
}

// cut divides a stretch at local midnights and keeps what lies between from and to.
func (c *calendar) cut(whole piece, from, to time.Time) []piece {
	total := c.hours(whole.from, whole.to)
	rate := 0.0
	if total > 0 {
		rate = whole.arcs() / total
	}
	var out []piece
	at, arcs := whole.from, whole.start
	for at.Before(whole.to) {
		day := c.midnight(at)
		until := time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, c.zone)
		if until.After(whole.to) {
			until = whole.to
		}
		one := whole
		one.from, one.to, one.day = at, until, day.Format(time.DateOnly)
		one.start, one.end = arcs, arcs+rate*c.hours(at, until)
		at, arcs = until, one.end
		if one.to.After(from) && one.from.Before(to) {
			out = append(out, one)
		}
	}
	return out
}
