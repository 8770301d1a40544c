package moor

import (
	"math"
	"sort"

	"arcdrift/drift/blind"
)

// moment is the state of a machine from a time on.
type moment struct {
	state
	fitted int // in history.pairs
}

// happening is one thing that happened, for those who tell of it.
type happening struct {
	kind    kind
	at      int64
	arcs    int64
	burnt   int64
	program int8
	site    int8
	session int // ordinal, for attempts
	key     int64
	why     trigger
	attempt attempt
	service *service
	air     blind.Air
	crew    int
}

// history is the life of one machine.
type history struct {
	m        *machine
	moments  []moment
	sessions []int // moments at which one opened
	pairs    []*pair
	events   []happening
	moves    []blind.Move
}

// begin is the machine as it is met.
func (m *machine) begin(people bool) *walk {
	w := &walk{m: m, c: ownChance(m.seed), people: people, pair: m.drawPair(0)}
	s := &w.st
	s.day, s.site = m.joins, m.sites[0]
	s.t = w.when(s.day, dawn) - 600
	chunk := max(1, m.wornArcs/20)
	for i := int64(0); s.arcs < m.wornArcs; i++ {
		s.burn(w.pair, &w.c, min(chunk, m.wornArcs-s.arcs), -1000-i)
	}
	d := newDraw(m.seed, ofStair, -1)
	for i := range m.programs {
		s.program = int8(i)
		need := s.required(m, w.pair) + m.airEffect(w.air(s.site, s.t)) + d.NormFloat64()*0.25*m.programs[i].width()
		set := 100 * math.Expm1(need)
		set = min(max(set, -m.model.limitPct), m.model.limitPct)
		s.set[i] = math.Round(math.Round(set/m.model.step)*m.model.step*1000) / 1000
	}
	s.program = 0
	return w
}

// live lives a machine's history with its people.
func live(m *machine) *history {
	w := m.begin(true)
	h := &history{m: m, pairs: []*pair{w.pair}}
	h.keep(w)
	u := &upkeep{d: newDraw(m.seed, ofPeople, 0), due: -1, last: m.joins}
	end := min(m.fleet.days, m.leaves)
	for {
		s := &w.st
		if s.phase == dawn && !s.open && s.extraAt == 0 {
			preventive := u.prevent(w)
			if preventive || u.due >= 0 && s.day >= u.due {
				if s.day >= end {
					break
				}
				h.served(w, u.atBench(w, preventive))
				continue
			}
		}
		k, a := w.step()
		if w.st.t >= end*daySeconds || w.st.day >= end {
			break
		}
		h.note(w, k, a)
		if k == trial && a.last {
			if done := u.react(w, a); done != nil {
				h.served(w, done)
			} else {
				h.moments[len(h.moments)-1].state = w.st
			}
		}
	}
	return h
}

func (h *history) keep(w *walk) { h.moments = append(h.moments, moment{w.st, len(h.pairs) - 1}) }

func (h *history) served(w *walk, done *service) {
	if w.pair != h.pairs[len(h.pairs)-1] {
		h.pairs = append(h.pairs, w.pair)
	}
	h.keep(w)
	h.event(w, happening{kind: nothing, service: done})
}

func (h *history) event(w *walk, e happening) {
	s := &w.st
	e.at, e.arcs, e.burnt, e.program, e.site, e.key, e.why = s.t, s.arcs, s.burnt, s.program, s.site, s.key, s.why
	e.session = len(h.sessions)
	e.crew = h.m.crews[w.c.crewOf(s.day*keysADay)]
	h.events = append(h.events, e)
}

// note keeps an event and the state after it.
func (h *history) note(w *walk, k kind, a attempt) {
	s := &w.st
	switch k {
	case nothing:
		return
	case arrival:
		h.moves = append(h.moves, blind.Move{At: h.m.fleet.moment(s.t), Air: w.air(s.site, s.t)})
	case opening:
		h.sessions = append(h.sessions, len(h.moments))
		h.weatherMove(w)
	case trial:
		h.event(w, happening{kind: trial, attempt: a, air: w.air(s.site, s.began)})
	case work:
		h.event(w, happening{kind: work})
	}
	h.keep(w)
}

// weatherMove notes that a session met other weather than the one before.
func (h *history) weatherMove(w *walk) {
	s := &w.st
	if len(h.sessions) < 2 || s.why == moved {
		return
	}
	before := h.moments[h.sessions[len(h.sessions)-2]].state
	if before.site != s.site {
		return
	}
	was, is := w.air(before.site, before.began), w.air(s.site, s.began-900)
	if math.Abs(was.TemperatureC-is.TemperatureC) < 7 || s.why == electrodeService {
		return
	}
	if last := h.moments[len(h.moments)-1].t; last >= s.began-900 {
		return
	}
	s.why = weatherChange
	h.moves = append(h.moves, blind.Move{At: h.m.fleet.moment(s.began - 900), Air: is})
}

// index is the last moment at or before a time.
func (h *history) index(t int64) int {
	return max(0, sort.Search(len(h.moments), func(i int) bool { return h.moments[i].t > t })-1)
}
