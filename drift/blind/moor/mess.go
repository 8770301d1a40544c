package moor

import (
	"fmt"
	"math"
	"time"
)

// slips are what goes wrong with one machine's records on their way.
type slips struct {
	d        draw
	twice    float64 // of sessions, told again by a person
	late     float64 // of records
	again    float64 // of records, exact copies
	lumps    bool    // attempts of a session carry one time and no numbers
	clock    int     // 0 right, 1 fell back to 1980, 2 a day ahead
	from, to int64   // the clock was wrong
	feet     float64
	degrees  float64
	fraction float64
}

func drawSlips(f *fleet, m *machine) *slips {
	d := newDraw(m.seed, ofMess, 0)
	s := &slips{
		d: newDraw(m.seed, ofMess, 1), twice: d.between(0.02, 0.05), late: d.between(0, 0.05), again: d.between(0, 0.03),
		lumps: d.coin(0.12), clock: d.pick(82, 9, 9),
	}
	s.from = int64(d.Float64() * float64(f.days) * daySeconds)
	s.to = s.from + int64(d.log(1, 20)*daySeconds)
	for _, p := range []*float64{&s.feet, &s.degrees, &s.fraction} {
		if d.coin(0.15) {
			*p = d.between(0.01, 0.08)
		}
	}
	return s
}

// disturb is a machine's records as they reach the agent from real people and
// devices.
func disturb(f *fleet, m *machine, st *style, in []told) []told {
	s := drawSlips(f, m)
	var out []told
	for i := 0; i < len(in); {
		n := 1
		for in[i].session > 0 && i+n < len(in) && in[i+n].session == in[i].session {
			n++
		}
		group := in[i : i+n]
		i += n
		again, told2 := s.d.coin(s.twice), told{}
		if again = again && group[0].session > 0 && !st.whole; again {
			told2 = s.retold(f, st, group)
		}
		if s.lumps && group[0].session > 0 && !st.whole {
			lump(group)
		}
		for _, t := range group {
			s.slip(&t)
			s.wrongClock(f, st, &t)
			if s.d.coin(s.late) {
				t.received += int64(s.d.log(2*3600, 20*daySeconds))
			}
			out = append(out, t)
			if s.d.coin(s.again) {
				t.received += int64(s.d.log(5, 2*daySeconds))
				out = append(out, t)
			}
		}
		if again {
			out = append(out, told2)
		}
	}
	return out
}

// retold is a session of several records as a person types it later.
func (s *slips) retold(f *fleet, st *style, group []told) told {
	last := group[len(group)-1]
	r := last.rec
	n := len(group)
	sum := 0.0
	for _, t := range group {
		if t.rec.Corrected != nil {
			sum += *t.rec.Corrected
		}
	}
	if r.Corrected != nil {
		r.Corrected = some(round(min(max(sum, -60), 60), 0.001))
	}
	r.Attempt, r.Session, r.Epoch, r.Seq, r.Recleaved = nil, "", nil, nil, nil
	r.Attempts = some(n)
	r.Source = "typed"
	r.ID = fmt.Sprintf("t-%s-%05d", r.Machine, last.session)
	if s.d.coin(0.4) {
		r.ID, r.Source = "", ""
	}
	// What a person reads off and writes down is rounder.
	for _, v := range []*(*float64){&r.Left, &r.Right, &r.Degrees} {
		if *v != nil {
			*v = some(math.Max(round(**v, 1), math.Min(**v, 1)))
		}
	}
	if s.d.coin(0.5) {
		r.Centre, r.Humidity, r.Altitude = nil, nil, nil
	}
	at := (last.at+59)/60*60 + 60*int64(s.d.IntN(10))
	r.Time = f.stamp(at, st.local)
	return told{at: at, received: at + int64(s.d.log(300, 6*3600)), session: last.session, rec: r}
}

// lump takes from the attempts of a session what tells them apart in time.
func lump(group []told) {
	last := group[len(group)-1]
	for i := range group {
		group[i].rec.Time = last.rec.Time
		group[i].rec.Session, group[i].rec.Attempt = "", nil
		group[i].received = last.received + int64(i)
		if r := &group[i].rec; r.ID == "" && r.Seq == nil {
			r.ID = fmt.Sprintf("l-%s-%05d-%d", r.Machine, last.session, i+1)
		}
	}
}

// slip mistakes a unit.
func (s *slips) slip(t *told) {
	r := &t.rec
	feet, degrees, fraction := s.d.coin(s.feet), s.d.coin(s.degrees), s.d.coin(s.fraction)
	if v := r.Altitude; feet && v != nil && *v > 20 && *v/0.3048 < 5900 {
		r.Altitude = some(math.Round(*v / 0.3048))
	}
	if v := r.Degrees; degrees && v != nil && *v < 15 && *v > -30 {
		r.Degrees = some(math.Round(*v*1.8 + 32))
	}
	if v := r.Humidity; fraction && v != nil && *v > 1 {
		r.Humidity = some(round(*v/100, 0.01))
	}
}

// wrongClock is what a device's clock says while it is wrong.
func (s *slips) wrongClock(f *fleet, st *style, t *told) {
	if s.clock == 0 || t.at < s.from || t.at > s.to || t.rec.Type == "service" || st.whole {
		return
	}
	shift := int64(daySeconds)
	if s.clock == 1 {
		dark := time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
		shift = int64(dark.Sub(f.start).Seconds()) - s.from
	}
	t.rec.Time = f.stamp(t.at+shift, st.local)
}
