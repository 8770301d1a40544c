package delta

import (
	"fmt"
	"math"
	"time"
)

// session tells the i-th session, by the record or by the attempt.
func (v *voice) session(h *history, i int) []*record {
	s := &h.sessions[i]
	n := len(s.tries)
	last := &s.tries[n-1]
	if v.crew.onlyPass {
		if !last.passed && v.odds(0.5) {
			return nil
		}
		return []*record{v.attempt(h, i, n-1)}
	}
	if !v.whole {
		var out []*record
		for k := range s.tries {
			r := v.attempt(h, i, k)
			r.fields["attempt"] = k + 1
			out = append(out, r)
		}
		return out
	}
	return []*record{v.summary(h, i)}
}

// summary is one record for a whole session: the last attempt's values and the sum
// of corrections.
func (v *voice) summary(h *history, i int) *record {
	s := &h.sessions[i]
	r := v.attempt(h, i, len(s.tries)-1)
	r.fields["attempts"] = len(s.tries)
	delete(r.fields, "recleaved")
	if _, ok := r.fields["power_correction_pct"]; ok {
		var sum float64
		for _, t := range s.tries {
			sum += t.change
		}
		r.fields["power_correction_pct"] = near(sum, 0.01)
	}
	return r
}

// attempt tells one attempt, without its number.
func (v *voice) attempt(h *history, i, k int) *record {
	s := &h.sessions[i]
	t := &s.tries[k]
	r := v.record("calibration", t.second)
	r.session = i
	f, show, g := r.fields, v.shows, &v.programs[s.program]
	f["passed"] = t.passed
	if v.grade == "full" {
		f["meltback_left_um"] = max(v.fine[0], min(2000, near(t.shot.left, v.fine[0])))
		f["meltback_right_um"] = max(v.fine[0], min(2000, near(t.shot.right, v.fine[0])))
		f["power_setting_pct"] = near(t.setting, 0.01)
		if show.spot {
			f["centre_offset_um"] = max(-500, min(500, near(t.shot.spot, v.fine[0])))
		}
	}
	if v.grade == "correction" || v.grade == "full" && show.change {
		if t.toldChange {
			f["power_correction_pct"] = near(t.change, 0.01)
		}
	}
	if v.grade != "pass-fail" {
		put(f, show.aim, "meltback_target_um", g.target)
		put(f, show.aim, "meltback_tolerance_um", g.within)
		put(f, show.limit, "power_limit_pct", v.model.limit)
	}
	put(f, show.model, "model", v.model.name)
	put(f, show.program, "program", g.name)
	put(f, show.site, "site", v.land.sites[s.site].name)
	put(f, show.operator, "operator", v.crew.operators[int(s.second/daySeconds)%len(v.crew.operators)])
	put(f, show.session, "session", fmt.Sprintf("%s.%d", v.machine.name, i+1))
	put(f, show.count, "arc_count", t.counter)
	put(f, show.cleaver, "cleaver", v.crew.cleaver)
	put(f, show.recleaved, "recleaved", true)
	put(f, show.trigger, "trigger", triggers(s.why))
	v.air(f, t)
	return r
}

// air tells what was measured of the air.
func (v *voice) air(f map[string]any, t *attempt) {
	show, a := v.shows, t.air
	put(f, show.temp, "temperature_c", near(max(-40, min(60, a.TemperatureC+v.tempOff)), v.fine[1]))
	put(f, show.humidity, "humidity_pct", near(max(0, min(100, a.HumidityPct+v.humidOff)), v.fine[2]))
	put(f, show.altitude, "altitude_m", near(a.AltitudeM, v.fine[3]))
	put(f, show.pressure, "pressure_hpa", near(a.PressureHPa, 1))
	put(f, show.body, "machine_temperature_c", near(max(-40, min(80, t.body)), v.fine[1]))
}

func put(f map[string]any, shown bool, name string, value any) {
	if shown {
		f[name] = value
	}
}

func triggers(why reason) string {
	switch why {
	case whyDay:
		return "start-of-day"
	case whyMoved:
		return "moved"
	case whyWeather:
		return "weather"
	case whyService:
		return "electrode-service"
	}
	return "other"
}

// service tells work on the pair, often late and sometimes not at all.
func (v *voice) service(s *service, i int) *record {
	if v.odds(v.crew.forget) {
		return nil
	}
	r := v.record("service", s.second)
	r.fields["action"] = s.action
	put(r.fields, v.shows.model, "model", v.model.name)
	put(r.fields, v.shows.finding && v.odds(0.85), "finding", s.finding)
	put(r.fields, v.shows.count && v.odds(0.5), "arc_count", s.counter)
	if s.action == replaced {
		put(r.fields, v.shows.lot, "pair", fmt.Sprintf("%s-%d", v.lot, s.pairs))
	}
	r.received = r.at.Add(time.Duration(v.crew.delay*v.ExpFloat64()*3600+30) * time.Second)
	return r
}

// uses tells the day's arcs and splices in the evening.
func (v *voice) uses(h *history) []*record {
	var out []*record
	for i, u := range h.uses {
		day := u.second / daySeconds
		if i+1 < len(h.uses) && h.uses[i+1].second/daySeconds == day {
			continue
		}
		if v.shows.usage && v.odds(0.9) {
			r := v.record("usage", u.second+600)
			r.fields["arc_count"] = u.counter
			out = append(out, r)
		}
		if v.shows.splices {
			n := u.arcs
			if i > 0 && h.uses[i-1].second/daySeconds == day {
				n += h.uses[i-1].arcs
			}
			r := v.record("splice", u.second+660)
			r.fields["count"] = n
			r.fields["job"] = fmt.Sprintf("J%d-%d", u.site+1, day/14)
			put(r.fields, v.odds(0.5), "loss_db", near(0.02+0.02*v.ExpFloat64(), 0.01))
			out = append(out, r)
		}
	}
	return out
}

// near rounds to a step, without the dust of binary fractions.
func near(x, step float64) float64 {
	return math.Round(math.Round(x/step)*step*1e6) / 1e6
}
