package delta

import "math"

// newDay brings the weather, moves the crew and makes the day's plan.
func (r *run) newDay(st *state) {
	st.day++
	st.item, st.last, st.plan.n = 0, 0, 0
	r.on(r.sky, forWeather, st.day)
	st.weather = r.land.climate.next(st.weather, r.dice)
	if st.day >= st.stayUntil {
		r.on(r.projects, forProject, st.day)
		st.site = r.sent(st.day, r.chance)
		st.stayUntil = st.day + 1 + int(r.crew.stay*r.ExpFloat64())
	}
	weekday := r.weekday(st.day)
	if weekday == 1 || st.day == 0 {
		r.on(r.self, forWeek, st.day)
		st.busy = 0
		if !r.odds(r.idle) {
			st.busy = r.spread(r.burst) * math.Exp(-r.burst*r.burst/2)
		}
	}
	if st.day < r.join {
		return
	}
	r.on(r.self, forDay, st.day)
	works := st.busy > 0 && (weekday%6 != 0 || r.odds(r.crew.weekend))
	st.dawn = int64(r.crew.dawn)*60 + r.Int64N(1800)
	r.planDay(st, works)
	if !r.alone {
		r.planPeople(st, works, weekday)
	}
}

// planDay puts arrival, sessions and work on the plan.
func (r *run) planDay(st *state, works bool) {
	k := r.crew
	at := st.dawn + 240 + r.Int64N(2400)
	if !works && !r.forced {
		return
	}
	sky := &r.land.climate
	t := inside(sky.outside(&r.land.sites[st.site], st.weather, st.day, sky.sun(st.dawn)), k.heater)
	moved := st.site != st.siteSeen
	if moved || math.Abs(t-st.tempSeen) > 10 {
		st.plan.add(task{at: st.dawn, kind: doArrive})
	}
	if works {
		r.planWork(st, at, moved, math.Abs(t-st.lastTemp))
	}
	if r.forced {
		r.planForced(st, at)
	}
}

// planWork is a working day: away is how far the temperature is from that of the
// last session.
func (r *run) planWork(st *state, at int64, moved bool, away float64) {
	k := r.crew
	why, wanted := whyDay, st.due <= float64(st.day)
	if changes := r.odds(r.change); changes && len(r.programs) > 1 {
		to := (st.program + 1 + r.IntN(len(r.programs)-1)) % len(r.programs)
		st.plan.add(task{at: st.dawn + 60, kind: doProgram, n: to})
		if !wanted && r.odds(0.8) {
			why, wanted = whyOther, true
		}
	}
	if move := r.odds(k.onMove); moved && (wanted || move) {
		why, wanted = whyMoved, true
	} else if k.onWeather > 0 && away > k.onWeather {
		why, wanted = whyWeather, true
	}
	if wanted && !r.forced {
		st.plan.add(task{at: at, kind: doCalibrate, why: why})
	}
	arcs := r.count(r.rate * st.busy * r.spread(0.35))
	morning := int(float64(arcs) * r.between(0.3, 0.7))
	if arcs < 15 {
		morning = arcs
	}
	for _, t := range [2]task{{n: morning, at: at + 6000 + r.Int64N(4000)}, {n: arcs - morning, at: at + 18000 + r.Int64N(7000)}} {
		if t.n > 0 {
			t.kind = doWork
			st.plan.add(t)
		}
	}
}

// planForced holds a rhythm that was asked for, whatever day it is.
func (r *run) planForced(st *state, at int64) {
	st.due = max(st.due, float64(st.day))
	for n := int64(0); st.due < float64(st.day+1); n++ {
		why := whyDay
		if st.plan.n > 0 && st.plan.tasks[0].kind == doArrive && n == 0 {
			why = whyMoved
		}
		if n < 6 {
			st.plan.add(task{at: at + n*4800, kind: doCalibrate, why: why})
		}
		st.due += r.every * r.between(0.5, 1.5)
	}
}

// planPeople is what only happens in the history: the bench, its errands, trouble
// with ends, and machines that left.
func (r *run) planPeople(st *state, works bool, weekday int) {
	p, k := &st.people, r.crew
	r.on(r.self, forPeople, st.day)
	if r.odds(0.004) && st.day >= p.bout {
		p.bout = st.day + 2 + r.IntN(7)
	}
	if st.day >= r.leave {
		st.plan.n = 0
		return
	}
	if p.awayUntil > st.day {
		st.plan.n = 0
		return
	}
	if p.awayUntil >= 0 {
		p.awayUntil = -1
		st.plan.add(task{at: st.dawn + 1, kind: doService, why: p.sentFor})
		return
	}
	if !works {
		return
	}
	if why, wanted := r.wantsCare(st, weekday, r.chance); wanted {
		if why == whyAge && !r.odds(k.ownHands) {
			r.send(st, why, r.chance)
			return
		}
		st.plan.add(task{at: st.dawn + 28000 + r.Int64N(3600), kind: doService, why: why})
	}
}
