package moor

import (
	"fmt"
	"math"
)

// people are the habits of crews and bench.
type people struct {
	retry, field, bench float64 // after a session without a pass
	second              float64 // bench, after the second in a row
	tired               float64 // bench, after a pass at the last attempt
	wait                float64 // days until the bench has time
	out                 float64 // days at the bench
	cleanFirst          float64
	maxCleans           int
	logs, late          float64
	fieldLogs           float64
	wrongFinding        float64
	noFinding           float64
	count               float64 // preventive, as a share of the life scale; 0 for never
	calendar            int64   // preventive, days; 0 for never
	check               float64 // session after a service
	inspects            float64 // the bench only looks
}

func drawPeople(d draw, f *fleet) people {
	p := people{
		retry: d.between(0.1, 0.6), field: d.between(0, 0.4), bench: d.between(0.2, 0.8),
		second: d.between(0.6, 1), tired: d.between(0, 0.12), wait: d.between(0.3, 4), out: d.between(0, 4),
		cleanFirst: d.between(0, 1), maxCleans: d.IntN(4), logs: d.between(0.8, 1), late: d.between(0, 0.25),
		fieldLogs: d.between(0.3, 1), wrongFinding: d.between(0.02, 0.2), noFinding: d.between(0, 0.4),
		check: d.between(0.7, 1), inspects: d.between(0.02, 0.2),
	}
	switch d.pick(5, 3, 2) {
	case 1:
		p.count = d.between(0.6, 1.7)
	case 2:
		p.calendar = int64(d.between(70, 260))
	}
	return p
}

func (p *people) preventive() string {
	switch {
	case p.count > 0:
		return fmt.Sprintf("at %.2f of the life scale", p.count)
	case p.calendar > 0:
		return fmt.Sprintf("every %d days", p.calendar)
	}
	return "never"
}

// service is what somebody did to a pair.
type service struct {
	action, finding string
	serial          string
	field           bool // by the crew, on the spot
	logged, late    bool
}

// upkeep is what people have in mind for one machine.
type upkeep struct {
	d      draw
	due    int64 // day of the bench, -1 for none
	streak int   // sessions in a row without a pass
	last   int64
}

// react is what people do after a session. It returns a service done on the spot.
func (u *upkeep) react(w *walk, a attempt) *service {
	p, s := &w.m.fleet.people, &w.st
	if a.passed {
		u.streak = 0
		if a.ordinal == w.m.fleet.limit && u.d.coin(p.tired) {
			u.send(w)
		}
		return nil
	}
	u.streak++
	if u.due >= 0 {
		return nil
	}
	if u.streak > 1 && u.d.coin(p.second) {
		u.send(w)
		return nil
	}
	switch x := u.d.Float64() * (p.bench + p.field + p.retry); {
	case x < p.bench:
		u.send(w)
	case x < p.bench+p.field && s.times < 3:
		s.t += int64(u.d.between(600, 1500))
		s.clean(w.pair)
		w.plan(s.t+int64(u.d.between(300, 1800)), electrodeService)
		return &service{action: "cleaned", finding: u.finding(w, "dirty"), field: true, logged: u.d.coin(p.fieldLogs), late: u.d.coin(p.late)}
	case u.d.coin(0.6):
		w.plan(s.t+int64(u.d.between(65, 120)*60), other)
	}
	return nil
}

func (w *walk) plan(at int64, why trigger) { w.st.extraAt, w.st.extraWhy = at, why }

// send takes the machine out of use until the bench has time for it.
func (u *upkeep) send(w *walk) {
	p, s := &w.m.fleet.people, &w.st
	u.due = s.day + 1 + int64(u.d.ExpFloat64()*p.wait)
	s.outUntil = max(s.outUntil, u.due)
}

// prevent says whether a preventive replacement is due today.
func (u *upkeep) prevent(w *walk) bool {
	m, s := w.m, &w.st
	if u.due >= 0 || s.day <= u.last {
		return false
	}
	byCount := m.fleet.people.count > 0 && float64(s.arcs) > m.fleet.people.count*m.fleet.life
	byDay := m.calendar > 0 && (s.day+m.calendarPhase)%m.calendar == 0
	return byCount || byDay
}

// atBench is the bench's work on a pair.
func (u *upkeep) atBench(w *walk, preventive bool) *service {
	p, s := &w.m.fleet.people, &w.st
	u.due, u.last, u.streak = -1, s.day, 0
	s.t = max(s.t+1, w.when(s.day, dawn)+int64(u.d.between(3, 8)*3600))
	s.outUntil = max(s.outUntil, s.day+1+int64(u.d.ExpFloat64()*p.out))
	out := &service{logged: u.d.coin(p.logs), late: u.d.coin(p.late)}
	worn := math.Abs(s.required(w.m, w.pair)) > 0.8*w.m.model.limitPct/100 || s.scatter(w.pair) > 0.75*w.m.programs[s.program].width()
	dirty := s.spread > 0.3 || math.Abs(s.shift) > 0.3*w.m.programs[s.program].width()
	truth := "fine"
	switch {
	case dirty:
		truth = "dirty"
	case worn || preventive:
		truth = "worn"
	case w.m.fleet.crews[w.m.crews[0]].isBlunt(s.day):
		truth = "cleaver"
	}
	out.finding = u.finding(w, truth)
	fine := truth == "fine" || truth == "cleaver"
	switch {
	case !preventive && (fine && u.d.coin(0.5) || u.d.coin(p.inspects)):
		out.action = "inspected"
	case !preventive && s.times < p.maxCleans && u.d.coin(p.cleanFirst):
		out.action = "cleaned"
		s.clean(w.pair)
	default:
		out.action = "replaced"
		s.replace(w.m)
		w.pair = w.m.drawPair(s.pair)
		out.serial = w.pair.serial
	}
	if u.d.coin(p.check) {
		w.plan(s.t+int64(u.d.between(900, 3600)), electrodeService)
	}
	return out
}

// finding is what gets written for what there was to see.
func (u *upkeep) finding(w *walk, truth string) string {
	p := &w.m.fleet.people
	switch {
	case u.d.coin(p.noFinding):
		return ""
	case u.d.coin(p.wrongFinding):
		return []string{"worn", "dirty", "fine", "cleaver", "other"}[u.d.IntN(5)]
	}
	return truth
}
