package delta

import (
	"math"

	"arcdrift/drift/blind"
)

// run moves one state through time. In a run alone nobody touches the pair, ends are
// well prepared and no machine is away at the bench or gone.
type run struct {
	*machine
	*chance
	alone  bool
	ledger *history // told of what happens, if not nil
}

// outcome is what one event did.
type outcome uint8

const (
	nothing outcome = iota
	sessionPassed
	sessionFailed // no pass within the attempt limit
)

// step does the next event.
func (r *run) step(st *state) outcome {
	if st.attempt > 0 {
		st.last += st.spacing
		return r.try(st)
	}
	if st.item >= st.plan.n {
		r.newDay(st)
		return nothing
	}
	t := st.plan.tasks[st.item]
	st.last = max(t.at, st.last+1)
	switch t.kind {
	case doCalibrate:
		return r.begin(st, t)
	case doWork:
		r.work(st, t)
	case doProgram:
		st.program = t.n
	case doArrive:
		air := r.air(st, st.last)
		st.siteSeen, st.tempSeen = st.site, air.TemperatureC
		if r.ledger != nil {
			r.ledger.arrive(st, air)
		}
	case doService:
		if !r.alone {
			r.serve(st, t.why)
		}
	}
	st.item++
	return nothing
}

// work burns a share of the day's arcs.
func (r *run) work(st *state, t task) {
	r.on(r.self, forWork, st.day, st.item)
	st.pair.burn(&r.physics, t.n, 1+st.setting[r.index(st)]/100, r.dice)
	st.counter += int64(t.n)
	if !r.alone {
		r.on(r.self, forPeople, st.day, st.item, 2)
		r.cleave(st, 2*t.n, false, r.chance)
	}
	if r.ledger != nil {
		r.ledger.worked(st, t.n)
	}
}

// begin starts a session and makes its first attempt.
func (r *run) begin(st *state, t task) outcome {
	r.on(r.self, forArc, st.day, st.item)
	st.spacing = 140 + r.Int64N(280)
	st.found = st.setting[r.index(st)]
	st.arcsFound = st.pair.arcs
	if r.ledger != nil {
		r.ledger.begin(st, t.why, r.wellPrepared(*st))
	}
	return r.try(st)
}

// wellPrepared is whether the session about to begin fails with well-prepared ends.
func (r *run) wellPrepared(st state) bool {
	again := run{machine: r.machine, chance: r.chance, alone: true}
	o := again.try(&st)
	for o == nothing {
		o = again.step(&st)
	}
	return o == sessionFailed
}

// try makes one attempt.
func (r *run) try(st *state) outcome {
	st.attempt++
	g := &r.programs[st.program]
	set := &st.setting[r.index(st)]
	air := r.air(st, st.last)
	body := r.body(st, air, st.last)
	power := 1 + *set/100
	ln := st.pair.heat(&r.physics) + r.physics.airHeat(air, body) + g.off + math.Log(power)
	r.on(r.self, forArc, st.day, st.item, st.attempt)
	s := fire(&r.physics, &st.pair, g, ln, r.dice)
	st.pair.burn(&r.physics, 1, power, r.dice)
	st.counter++
	bad := false
	if !r.alone {
		r.on(r.self, forEnds, st.day, st.item, st.attempt)
		s, bad = r.hurt(st, s, r.chance)
		r.cleave(st, 2, bad, r.chance)
	}
	passed := math.Abs(s.mean()-g.target) <= g.within
	f := r.rule(st.day)
	change, told := f.correct(*set, r.model.limit, s.mean(), g, r.physics.exponent(), st.attempt, passed)
	if r.ledger != nil {
		r.ledger.attempt(st, attempt{
			second: int64(st.day)*daySeconds + st.last, shot: s, setting: *set, change: change, toldChange: told,
			passed: passed, counter: st.counter, air: air, body: body, bad: bad,
		})
	}
	*set = math.Round((*set+change)*1e6) / 1e6
	most := r.model.attempts
	if !r.alone {
		most += r.crew.extra
	}
	if passed || st.attempt >= most {
		return r.end(st, passed, f, air)
	}
	return nothing
}

// rule is the firmware in force on a day.
func (m *machine) rule(day int) *firmware {
	if m.model.update >= 0 && day >= m.model.update {
		return &m.model.firmware[1]
	}
	return &m.model.firmware[0]
}

// end closes the session.
func (r *run) end(st *state, passed bool, f *firmware, air blind.Air) outcome {
	failed := !passed || st.attempt > r.model.attempts
	if !passed && f.giveBack {
		st.setting[r.index(st)] = st.found
	}
	st.attempt = 0
	st.lastTemp, st.tempSeen = air.TemperatureC, air.TemperatureC
	if !r.forced {
		r.on(r.self, forDay, st.day, st.item, 1)
		st.due = float64(st.day) + max(1, math.Round(r.every*r.between(0.6, 1.4)))
	}
	if !r.alone {
		r.afterSession(st, failed, r.chance)
	}
	st.item++
	if failed {
		return sessionFailed
	}
	return sessionPassed
}

// serve does what the bench or the crew does to the pair.
func (r *run) serve(st *state, why reason) {
	r.on(r.self, forService, st.day, st.item)
	action, finding := r.judge(st, why, r.chance)
	if action == replaced && st.pair.arcs < 30 {
		action, finding = inspected, "fine"
	}
	p := &st.people
	before := st.counter
	switch action {
	case cleaned:
		st.pair.clean(&r.physics, r.dice)
		p.cleanings++
		p.cleanedAt = st.pair.arcs
	case replaced:
		if !r.neverReset && !r.odds(r.crew.fumble) {
			st.counter = 0
		}
		r.fit(st, r.chance)
	}
	if finding == "cleaver" {
		p.blade, p.bout = 0, min(p.bout, st.day)
	}
	p.fails = 0
	if r.ledger != nil {
		r.ledger.served(st, action, finding, why, before)
	}
	r.on(r.self, forService, st.day, st.item, 1)
	if r.odds(0.93) {
		st.plan.add(task{at: st.last + 600 + r.Int64N(1800), kind: doCalibrate, why: whyService})
	}
}

// What can be done to a pair.
const (
	cleaned   = "cleaned"
	replaced  = "replaced"
	inspected = "inspected"
)
