package tide

import (
	"math"
	"slices"
	"sort"
	"time"

	"arcdrift/drift/blind"
)

// life is the history of one machine, and what might have become of it.
type life struct {
	m *machine
	// marks are the states after each thing that happened, in order.
	marks []state
	// openings are the sessions: when the first attempt ended, and the state before.
	openings []opening
}

type opening struct {
	second int64
	before state
}

// before is how long machines have been at work when their history begins, in days.
const before = 45

// begin is a machine some weeks before its history, with a pair of any age.
func (m *machine) begin() state {
	r := m.luck.of(ofMachine, 1, 0)
	s := state{day: -before, site: r.whole(0, len(m.fleet.sites)-1), credit: r.unit(), blade: r.unit() * m.blade}
	m.mount(&s)
	s.serviced, s.unsettled = false, 0
	s.arcs = int64(r.unit() * 0.75 * min(m.crew.replaceAt, s.pair.life))
	s.sinceCleaned = s.arcs / 2
	if m.resets == 0 {
		s.ahead = int64(r.whole(0, 30000))
	}
	s.wander = m.wear.wander * r.normal()
	s.breathe(m, 0)
	s.checked = s.air
	for p := range m.programs {
		s.program = p
		m.set(&s, 100*(m.required(&s, p)+0.012*r.normal()))
		s.setting[p] = min(m.correct.limit, max(-m.correct.limit, s.setting[p]))
	}
	s.program = 0
	return s
}

// live makes a machine's history, and tells what happened in it.
func (m *machine) live(tell func(event, *state)) *life {
	l := &life{m: m}
	s := m.begin()
	for s.day < m.fleet.wish.Days {
		was := s
		e := m.step(&s, m.luck, false)
		if was.day < 0 {
			continue
		}
		if len(l.marks) == 0 {
			was.second = 0
			l.marks = append(l.marks, was)
		}
		if e.what == nothing {
			continue
		}
		l.marks = append(l.marks, s)
		if e.what == tried && e.attempt.number == 1 {
			l.openings = append(l.openings, opening{second: s.second, before: was})
		}
		tell(e, &s)
	}
	return l
}

// after is the state when everything up to a moment has happened.
func (l *life) after(at time.Time) state {
	second := int64(at.Sub(l.m.fleet.wish.Start) / time.Second)
	i := sort.Search(len(l.marks), func(i int) bool { return l.marks[i].second > second })
	return l.marks[max(0, i-1)]
}

// At is how the machine stands at a moment.
func (l *life) At(at time.Time) blind.Condition {
	s := l.after(at)
	return blind.Condition{
		Program:     l.m.programs[s.program].name,
		RequiredPct: 100 * math.Expm1(l.m.required(&s, s.program)), SettingPct: s.setting[s.program],
		Arcs: s.arcs, Air: s.air,
	}
}

// Lived is the machine's own luck without service, from a moment on.
func (l *life) Lived(at time.Time, horizon int64) int64 {
	return l.m.left(l.after(at), l.m.luck, horizon)
}

// Futures are draws of what Lived might have been.
func (l *life) Futures(at time.Time, horizon int64, n int, seed uint64) []int64 {
	from := l.after(at)
	r := streamOf(seed^l.m.luck.own, ofFutures, int(from.second>>32), int(from.second))
	out := make([]int64, n)
	for i := range out {
		out[i] = l.m.left(from, chance{own: r.next(), region: r.next()}, horizon)
	}
	slices.Sort(out)
	return out
}

// left is the arcs until the first session without a pass if the machine is left
// alone from a state on.
func (m *machine) left(s state, c chance, horizon int64) int64 {
	first := s.arcs
	for s.arcs-first < horizon {
		if e := m.step(&s, c, true); e.ended && !e.attempt.passed {
			return min(horizon, s.arcs-first)
		}
	}
	return horizon
}

// ProbabilityOut is that of one attempt in this air now.
func (l *life) ProbabilityOut(at time.Time, air blind.Air) float64 {
	s := l.after(at)
	s.air = air
	return l.m.out(&s)
}

// Electrodes repeats the last session with well-prepared ends and the same luck.
func (l *life) Electrodes(session time.Time) bool {
	second := int64(session.Sub(l.m.fleet.wish.Start) / time.Second)
	i := sort.Search(len(l.openings), func(i int) bool { return l.openings[i].second > second })
	if i == 0 {
		return false
	}
	for s := l.openings[i-1].before; ; {
		if e := l.m.step(&s, l.m.luck, true); e.ended {
			return !e.attempt.passed
		}
	}
}
