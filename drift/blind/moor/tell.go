package moor

import (
	"fmt"
	"math"

	"arcdrift/drift/blind"
)

// style is how one machine's life is told.
type style struct {
	d     draw
	grade string
	whole bool

	ids      int // 0 id, 1 source and seq, 2 neither
	local    bool
	latency  float64 // seconds, mean
	counter  int     // 0 reset with the pair, 1 never, 2 sometimes forgotten, 3 none
	counted  bool    // on calibrations
	usage    int64   // days between usage records, 0 for none
	splices  bool
	session  bool
	attempt  bool
	trigger  bool
	cleaver  bool
	reclaims bool
	operator bool
	site     bool
	model    bool
	program  bool
	centre   bool
	limit    bool
	inside   bool
	air      int // 0 none, 1 temperature, 2 and humidity, 3 and altitude, 4 and pressure, 5 both
	fine     float64
	micron   float64
	warm     float64 // error of its thermometer
	damp     float64
	forgets  float64 // chance that a person leaves the air out
}

func drawStyle(f *fleet, m *machine, w blind.Wish) *style {
	taste := newDraw(w.Seed, ofTelling, -2) // of the fleet
	d := newDraw(m.seed, ofTelling, 0)
	grades := []float64{taste.between(1, 4), taste.between(0, 2), taste.between(0, 2)}
	s := &style{d: newDraw(m.seed, ofTelling, 1)}
	s.grade = []string{"full", "correction", "pass-fail"}[d.pick(grades...)]
	s.whole = d.coin(0.3)
	s.ids = d.pick(4, 4, 2)
	s.local, s.latency = d.coin(0.5), d.log(2, 600)
	s.counter, s.counted = d.pick(5, 3, 1, 2), d.coin(0.85)
	s.usage = []int64{0, 1, 7}[d.pick(5, 3, 3)]
	s.splices = d.coin(0.15)
	s.session, s.attempt = d.coin(0.5), d.coin(0.7)
	s.trigger, s.cleaver, s.reclaims = d.coin(0.6), d.coin(0.35), d.coin(0.35)
	s.operator, s.site, s.model = d.coin(0.5), d.coin(0.6), d.coin(0.95)
	s.program = d.coin(0.7) || len(m.programs) > 1
	s.centre, s.limit, s.inside = d.coin(0.4), d.coin(0.7), d.coin(0.2)
	s.air = d.pick(1, 1, 1, 4, 3, 2)
	s.fine = []float64{1, 0.5, 0.1}[d.IntN(3)]
	s.micron = []float64{1, 0.1}[d.IntN(2)]
	s.warm, s.damp, s.forgets = d.NormFloat64()*0.5, d.NormFloat64()*3, d.between(0, 0.06)
	if w.Grade != "" {
		s.grade = w.Grade
	}
	switch w.Typing {
	case blind.EachAttempt:
		s.whole = false
	case blind.WholeSession:
		s.whole = true
	}
	return s
}

// teller goes through a life and writes it down.
type teller struct {
	f    *fleet
	h    *history
	s    *style
	out  []told
	seq  int
	base int64 // of the counter
	went int64 // burnt at the last splice record
	last int64 // day of the last usage record
	sum  float64
}

// tell writes a machine's life as records, in order of time.
func tell(f *fleet, h *history, s *style) []told {
	t := &teller{f: f, h: h, s: s, last: -1}
	if len(h.events) > 0 {
		e := h.events[0]
		t.base, t.went = e.burnt-e.arcs, e.burnt
	}
	for i := range h.events {
		e := &h.events[i]
		switch {
		case e.service != nil:
			t.service(e)
		case e.kind == trial:
			t.trial(e)
		default:
			t.work(e)
		}
	}
	return t.out
}

func (t *teller) add(at int64, session int, r record, device bool) {
	s := t.s
	delay := 1 + int64(s.d.ExpFloat64()*s.latency)
	r.Machine = t.h.m.name
	if s.model {
		r.Model = t.h.m.model.name
	}
	r.Time = t.f.stamp(at, s.local)
	switch {
	case s.ids == 0 || s.ids == 1 && !device:
		r.ID = fmt.Sprintf("%s-%06d", r.Machine, len(t.out)+1)
	case s.ids == 1:
		t.seq++
		r.Source, r.Epoch, r.Seq = "dev-"+r.Machine, some(1), some(t.seq)
	}
	t.out = append(t.out, told{at: at, received: at + delay, session: session, rec: r})
}

func (t *teller) count(e *happening) *int64 {
	switch t.s.counter {
	case 0:
		return some(e.arcs)
	case 1, 2:
		return some(e.burnt - t.base)
	}
	return nil
}

func (t *teller) trial(e *happening) {
	s, a := t.s, &e.attempt
	t.sum += a.correction
	if s.whole && !a.last {
		return
	}
	r := t.common(e)
	r.Passed = some(a.passed)
	correction := a.correction
	at := e.at
	if s.whole {
		r.Attempts = some(a.ordinal)
		correction = t.sum
		at = (at + 59) / 60 * 60
	} else if s.attempt {
		r.Attempt = some(a.ordinal)
	}
	if s.session && !s.whole {
		r.Session = fmt.Sprintf("s%05d", e.session)
	}
	t.measured(&r, e, correction)
	t.airs(&r, e)
	if a.last {
		t.sum = 0
	}
	t.add(at, e.session, r, !s.whole)
}

// common is what a calibration says besides its result and the air.
func (t *teller) common(e *happening) record {
	s := t.s
	r := record{Type: "calibration"}
	if s.program {
		r.Program = t.h.m.programs[e.attempt.program].name
	}
	if s.site {
		r.Site = t.f.sites[e.site].name
	}
	c := &t.f.crews[e.crew]
	if s.operator {
		r.Operator = c.name
	}
	if s.cleaver {
		r.Cleaver = c.cleaver
	}
	if s.reclaims && !s.whole && e.attempt.ordinal > 1 {
		r.Recleaved = some(!e.attempt.sameEnds)
	}
	if s.trigger {
		r.Trigger = e.why.String()
	}
	if s.counted {
		r.Arcs = t.count(e)
	}
	return r
}

func (t *teller) measured(r *record, e *happening, correction float64) {
	s, a := t.s, &e.attempt
	if s.grade == "pass-fail" {
		return
	}
	r.Corrected = some(round(min(max(correction, -60), 60), 0.001))
	if s.grade != "full" {
		return
	}
	p := &t.h.m.programs[a.program]
	r.Left, r.Right = some(min(2000, max(1, round(a.left, s.micron)))), some(min(2000, max(1, round(a.right, s.micron))))
	r.Target, r.Tolerance = some(p.target), some(p.tolerance)
	r.Setting = some(round(a.set, 0.001))
	if s.limit {
		r.Limit = some(t.h.m.model.limitPct)
	}
	if s.centre {
		r.Centre = some(round((a.right-a.left)*0.1+2*normal(t.h.m.seed, ofCentre, e.key, int64(a.ordinal)), 0.1))
	}
}

func (t *teller) airs(r *record, e *happening) {
	s, d := t.s, &t.s.d
	if s.air == 0 || s.whole && d.coin(s.forgets) {
		return
	}
	r.Degrees = some(round(e.air.TemperatureC+s.warm+d.NormFloat64()*0.2, s.fine))
	if s.inside {
		r.Inside = some(round(min(70, e.air.TemperatureC+3+2*d.NormFloat64()), 1))
	}
	if s.air >= 2 {
		r.Humidity = some(min(100, max(1, round(e.air.HumidityPct+s.damp+d.NormFloat64(), 1))))
	}
	if s.air == 3 || s.air == 5 {
		r.Altitude = some(round(e.air.AltitudeM+d.NormFloat64()*4, 5*s.fine))
	}
	if s.air >= 4 {
		r.Pressure = some(round(e.air.PressureHPa+d.NormFloat64()*0.3, s.fine))
	}
}

func (t *teller) service(e *happening) {
	v, d := e.service, &t.s.d
	if v.action == "replaced" && t.s.counter == 2 && d.coin(0.6) {
		t.base = e.burnt - e.arcs
	}
	forgot, hours, lot, who := d.coin(0.3), d.ExpFloat64(), d.coin(0.5), d.coin(0.5)
	if !v.logged {
		return
	}
	r := record{Type: "service", Action: v.action, Finding: v.finding}
	if lot {
		r.Pair = v.serial
	}
	if who {
		r.Operator = "bench"
		if v.field {
			r.Operator = t.f.crews[e.crew].name
		}
	}
	if !forgot {
		r.Arcs = t.count(e)
	}
	t.add(e.at, 0, r, false)
	if v.late {
		t.out[len(t.out)-1].received += int64(hours * 3 * daySeconds)
	}
}

// work tells of use, in the evening.
func (t *teller) work(e *happening) {
	s := t.s
	day := floorDiv(e.at+t.f.clock.zone, daySeconds)
	if (e.at+t.f.clock.zone)%daySeconds < 16*3600 {
		return
	}
	if s.splices {
		n := int64(math.Round(float64(e.burnt-t.went) * 0.9))
		t.went = e.burnt
		t.add(e.at+300, 0, record{Type: "splice", Count: some(max(1, n)), Loss: some(round(0.02+0.03*s.d.Float64(), 0.001)),
			Job: fmt.Sprintf("job-%03d", day/9)}, true)
	}
	if s.usage > 0 && s.counter != 3 && day-t.last >= s.usage {
		t.last = day
		t.add(e.at+600, 0, record{Type: "usage", Arcs: t.count(e)}, true)
	}
}

// tellSetups tells what somebody knew of the fleet and its models.
func tellSetups(f *fleet) []told {
	d := f.setups
	var out []told
	add := func(r record) {
		r.Type, r.Time = "setup", f.stamp(0, false)
		r.ID = fmt.Sprintf("setup-%d", len(out)+1)
		out = append(out, told{received: int64(len(out)) + 1, rec: r})
	}
	if f.limit != 4 || d.coin(0.3) {
		add(record{Scope: "fleet", Tries: some(f.limit)})
	}
	for _, m := range f.models {
		r := record{Scope: "model", Name: m.name}
		known := false
		if d.coin(0.4) {
			r.LimitPct, known = some(m.limitPct), true
		}
		if d.coin(0.3) {
			r.Condition, known = some(m.conditioning), true
		}
		if d.coin(0.3) {
			r.WarmUp, known = some(5+d.IntN(4)*5), true
		}
		if known {
			add(r)
		}
	}
	return out
}
