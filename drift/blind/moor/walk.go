package moor

import "math"

// walk takes a machine from event to event.
type walk struct {
	m      *machine
	c      chance
	st     state
	pair   *pair
	knots  knots
	people bool // ends as the crews prepare them, and what was measured; else good ends
}

type kind uint8

const (
	nothing kind = iota
	arrival
	opening // of a session
	trial
	work
)

// keysADay separates the sessions of one day from those of the next.
const keysADay = 64

// The phases of a day.
const (
	dawn uint8 = iota
	morning
	forenoon
	midday
	afternoon
)

// when is the moment of a phase, in seconds since the start.
func (w *walk) when(day int64, phase uint8) int64 {
	m := w.m
	base := day*daySeconds - m.fleet.clock.zone
	switch phase {
	case dawn:
		return base + 19800
	case morning:
		return base + m.morning + int64(3000*uniform(w.c.own, ofTime, day, 1))
	case forenoon:
		return base + 12*3600
	case midday:
		return base + 44400 + int64(5400*uniform(w.c.own, ofTime, day, 3))
	}
	return base + 61200
}

// step takes the machine to its next event.
func (w *walk) step() (kind, attempt) {
	s := &w.st
	if s.open {
		return trial, w.try()
	}
	if s.extraAt > 0 && s.extraAt <= w.when(s.day, s.phase) {
		s.extras++
		at, why := s.extraAt, s.extraWhy
		s.extraAt = 0
		w.open(at, why, s.day*keysADay+8+s.extras)
		return opening, attempt{}
	}
	switch s.phase {
	case dawn:
		return w.dawn(), attempt{}
	case morning, midday:
		return w.perhapsSession(), attempt{}
	case forenoon:
		return w.work(0.45), attempt{}
	}
	k := w.work(0.55)
	w.nextDay()
	return k, attempt{}
}

func (w *walk) nextDay() {
	w.st.day++
	w.st.since++
	w.st.phase, w.st.extras = dawn, 0
}

// dawn says whether there is work today, where and with what.
func (w *walk) dawn() kind {
	s, m := &w.st, w.m
	if s.day < s.outUntil || !w.works(s.day) {
		w.nextDay()
		return nothing
	}
	s.phase = morning
	s.today = w.arcsToday()
	if len(m.programs) > 1 && w.c.planned(ofProgram, s.day, 0) < m.changes {
		n := 1 + int(w.c.planned(ofProgram, s.day, 1)*float64(len(m.programs)-1))
		s.program = int8((int(s.program) + n) % len(m.programs))
		s.forced = other
	}
	if w.c.planned(ofMove, s.day, 0) < m.moves*(1-m.moveMidday) {
		w.move(w.when(s.day, dawn), 1)
		return arrival
	}
	return nothing
}

func (w *walk) move(at, n int64) {
	s, m := &w.st, w.m
	s.t = max(at, s.t+1)
	i := 0
	for m.sites[i] != s.site {
		i++
	}
	i += 1 + int(w.c.planned(ofSite, s.day, n)*float64(len(m.sites)-1))
	s.site = m.sites[i%len(m.sites)]
	s.forced = moved
}

// works is whether a day is worked.
func (w *walk) works(day int64) bool {
	m := w.m
	week := floorDiv(day, 7)
	if uniform(w.c.planSeed(week*7), ofWeek, week, 0) < m.idle {
		return false
	}
	p := m.workDay
	switch (day + m.fleet.clock.weekday) % 7 {
	case 6:
		p = m.saturday
	case 0:
		p = m.sunday
	}
	return w.c.planned(ofDay, day, 0) < p
}

// arcsToday are the arcs of work on a worked day.
func (w *walk) arcsToday() float64 {
	m, day := w.m, w.st.day
	week := floorDiv(day, 7)
	seed := w.c.planSeed(week * 7)
	x := m.unrest*bell(seed, ofWeek, week, 1) + m.daySpread*bell(w.c.planSeed(day), ofArcs, day, 0)
	if uniform(seed, ofWeek, week, 2) < m.burst {
		x++
	}
	return m.arcs * math.Exp(x)
}

func (w *walk) work(share float64) kind {
	s := &w.st
	n := max(1, int64(share*s.today))
	s.burn(w.pair, &w.c, n, s.day*2+int64(s.phase/4))
	s.t = max(w.when(s.day, s.phase), s.t+1)
	s.phase++
	return work
}

// perhapsSession opens a session in the morning or at midday, if there is one.
func (w *walk) perhapsSession() kind {
	s, m := &w.st, w.m
	phase := s.phase
	if phase == midday && s.forced != moved && m.moves > 0 && w.c.planned(ofMove, s.day, 1) < m.moves*m.moveMidday {
		w.move(w.when(s.day, midday)-1500, 2)
		return arrival
	}
	why := noTrigger
	p := m.afterMove
	if s.forced == other {
		p *= 0.7
	}
	u := w.c.planned(ofSession, s.day, int64(phase))
	switch {
	case s.forced != noTrigger && w.c.planned(ofForced, s.day, int64(phase)) < p:
		why = s.forced
	case phase == morning && (u < m.session[0] || m.regular && float64(s.since) >= m.everyDays-0.5):
		why = startOfDay
	case phase == midday && u < m.session[1]:
		why = other
	}
	s.forced = noTrigger
	s.phase++
	if why == noTrigger {
		return nothing
	}
	w.open(w.when(s.day, phase), why, s.day*keysADay+int64(phase))
	return opening
}

func (w *walk) open(at int64, why trigger, key int64) {
	s := &w.st
	s.t = max(at, s.t+60)
	s.open, s.key, s.began, s.done, s.why, s.since = true, key, s.t, 0, why, 0
	s.air = w.m.airEffect(w.air(s.site, s.t))
	s.luck = 0
	if w.pair.ses > 0 {
		s.luck = s.scatter(w.pair) * math.Sqrt(w.pair.ses) * normal(w.c.luck, ofSessionNoise, key, 0)
	}
}
