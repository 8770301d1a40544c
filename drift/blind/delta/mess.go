package delta

import (
	"fmt"
	"maps"
	"time"
)

// disturb is what people and devices do to the records of one machine. It draws from
// its own stream and leaves the history alone.
func (v *voice) disturb(recs []*record) []*record {
	d := v.mess
	twice, late, again := d.between(0.02, 0.05), d.between(0.005, 0.03), d.between(0.005, 0.03)
	if d.odds(0.12) {
		v.unnumber(recs)
	}
	if d.odds(0.3) {
		v.slip(recs, d)
	}
	if d.odds(0.15) {
		v.badClock(recs, d)
	}
	if v.bench.keepsDays {
		v.daysOnly(recs)
	}
	extra := v.tellTwice(recs, twice, d)
	for _, r := range recs {
		if d.odds(late) {
			r.received = r.received.Add(time.Duration(d.about(2, 500)*3600) * time.Second)
		}
		if d.odds(again) {
			c := r.copy()
			c.received = r.received.Add(time.Duration(d.about(1, 200000)) * time.Second)
			extra = append(extra, c)
		}
	}
	return append(recs, extra...)
}

func (r *record) copy() *record {
	c := *r
	c.fields = maps.Clone(r.fields)
	return &c
}

// unnumber gives all attempts of a session the time of the last one and no number.
func (v *voice) unnumber(recs []*record) {
	last := map[int]*record{}
	for _, r := range recs {
		if r.session >= 0 {
			last[r.session] = r
		}
	}
	for _, r := range recs {
		if r.session < 0 || r.fields["attempt"] == nil {
			continue
		}
		r.at, r.received = last[r.session].at, later(r.received, last[r.session].received)
		delete(r.fields, "attempt")
		delete(r.fields, "session")
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// slip has somebody mistake units, where the contract's bounds still allow it.
func (v *voice) slip(recs []*record, d dice) {
	p, what := d.about(0.01, 0.6), d.IntN(3)
	for _, r := range recs {
		if r.session < 0 || !d.odds(p) {
			continue
		}
		f := r.fields
		switch what {
		case 0:
			if m, ok := f["altitude_m"].(float64); ok && m/0.3048 <= 6000 && m/0.3048 >= -430 {
				f["altitude_m"] = near(m/0.3048, 1)
			}
		case 1:
			if c, ok := f["temperature_c"].(float64); ok && c*1.8+32 <= 60 && c*1.8+32 >= -40 {
				f["temperature_c"] = near(c*1.8+32, 0.1)
			}
		default:
			if h, ok := f["humidity_pct"].(float64); ok {
				f["humidity_pct"] = near(h/100, 0.01)
			}
		}
	}
}

// badClock lets the machine's clock fall back to 1980, or run a day ahead, for a
// while. What people type about it keeps their own time.
func (v *voice) badClock(recs []*record, d dice) {
	if len(recs) == 0 {
		return
	}
	back := d.odds(0.6)
	from := d.IntN(len(recs))
	to := min(len(recs), from+1+d.IntN(60))
	zero := time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
	begin := recs[from].at
	for _, r := range recs[from:to] {
		if t := r.fields["type"]; t == "service" || t == "setup" {
			continue
		}
		if back {
			r.at = zero.Add(r.at.Sub(begin) + 90*time.Second)
		} else {
			r.at = r.at.Add(24 * time.Hour)
		}
	}
}

// daysOnly is a bench that writes down the day of its work, not the hour.
func (v *voice) daysOnly(recs []*record) {
	noon := time.Duration(12*3600-v.land.climate.zone*3600) * time.Second
	for _, r := range recs {
		if r.fields["type"] == "service" {
			r.at = r.at.Truncate(24 * time.Hour).Add(noon)
			r.received = later(r.received, r.at.Add(time.Minute))
		}
	}
}

// tellTwice has some sessions typed by hand again, minutes to hours later, as one
// record with another name.
func (v *voice) tellTwice(recs []*record, p float64, d dice) []*record {
	var out []*record
	for i, r := range recs {
		if r.session < 0 || i+1 < len(recs) && recs[i+1].session == r.session || !d.odds(p) {
			continue
		}
		c := r.copy()
		for _, name := range []string{"id", "source", "epoch", "seq", "session", "recleaved"} {
			delete(c.fields, name)
		}
		v.sumUp(c, recs)
		if d.odds(0.6) {
			c.fields["id"] = fmt.Sprintf("note-%s-%d", v.machine.name, r.session)
		} else {
			c.fields["source"], c.fields["seq"], c.fields["epoch"] = "pad-"+v.crew.name+"-"+v.machine.name, i+1, 0
		}
		c.at = r.at.Add(time.Duration(d.IntN(20)) * time.Minute).Truncate(5 * time.Minute)
		c.received = r.received.Add(time.Duration(d.about(4, 600)) * time.Minute)
		out = append(out, c)
	}
	return out
}

// sumUp makes one record of the attempts that were told.
func (v *voice) sumUp(c *record, recs []*record) {
	if c.fields["attempts"] != nil {
		return
	}
	delete(c.fields, "attempt")
	n := 0
	var sum float64
	for _, r := range recs {
		if r.session == c.session {
			n++
			x, _ := r.fields["power_correction_pct"].(float64)
			sum += x
		}
	}
	c.fields["attempts"] = n
	if c.fields["power_correction_pct"] != nil {
		c.fields["power_correction_pct"] = near(sum, 0.01)
	}
}
