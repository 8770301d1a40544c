package synth

import (
	"math"
	"time"
)

// try is one attempt of a session, as it was.
type try struct {
	time                time.Time
	arcs                int64
	level, scatter      float64 // log-percent
	setting, correction float64 // percent
	left, right         float64 // micrometres
	badEnd, passed      bool
}

// attemptTime is what an attempt takes.
const attemptTime = 2 * time.Minute

// session runs attempts until a pass or the attempt limit and appends them to
// tries. With prepared ends none is bad.
func (n *nature) session(s *state, at time.Time, prepared bool, tries []try) []try {
	effect := n.effect(n.air(s, at))
	if n.model.Law.Noise == Shared {
		s.common = s.noise.normal()
	}
	for k := range n.model.AttemptLimit {
		t := n.attempt(s, effect, prepared)
		t.time = at.Add(time.Duration(k) * attemptTime)
		tries = append(tries, t)
		if t.passed {
			break
		}
	}
	return tries
}

func (n *nature) air(s *state, at time.Time) Air {
	return s.weather.at(&n.world.Sites[s.site], at)
}

// attempt is one test arc and what the machine makes of it.
func (n *nature) attempt(s *state, effect float64, prepared bool) try {
	m := n.model
	s.pair.arcs++
	s.pair.deposit++
	t := try{arcs: s.pair.arcs, level: s.pair.level(m), scatter: s.pair.scatter(m), setting: s.setting}
	required := t.level + effect + t.scatter*m.Law.Noise.spin(&s.noise, s.common)
	set := logPercent(s.setting)
	mean := m.Target * math.Exp(n.kappa*(set-required)/100)
	lean := n.lean + 0.02*s.noise.normal()
	t.left, t.right = mean*(1+lean), mean*(1-lean)
	if !prepared {
		t.badEnd = n.spoil(s, &t)
	}
	t.left, t.right = micrometres(t.left), micrometres(t.right)
	mean = (t.left + t.right) / 2
	off := math.Abs(mean - m.Target)
	t.passed = off <= n.tolerance
	wanted := percent(set - 100*math.Log(mean/m.Target)/m.BelievedKappa)
	believed := s.reckon(&m.Law, wanted)
	if off >= m.Law.DeadBand*n.tolerance {
		s.setting = n.within(s.setting + n.gain(s.day, t.passed)*(believed-s.setting))
	}
	t.correction = round(s.setting-t.setting, 10)
	return t
}

// within keeps a setting inside the machine's reach, in its steps.
func (n *nature) within(setting float64) float64 {
	perPercent := 10.0
	if n.model.Law.CoarseSteps {
		perPercent = 2
	}
	return clamp(round(setting, perPercent), -n.model.Limit, n.model.Limit)
}

// spoil is a bad cleave or dirt on the fibre, mostly on one end.
func (n *nature) spoil(s *state, t *try) bool {
	chance := n.world.Ends.BadEnd
	if _, dull := n.cleaverOn(s.day); s.blunt || dull {
		chance = n.world.Ends.BluntBadEnd
	}
	if !s.ends.chance(chance) {
		return false
	}
	off := func() float64 {
		size := 0.15 + 0.4*s.ends.uniform()
		if s.ends.chance(0.4) {
			return 1 - size
		}
		return 1 + size
	}
	which := s.ends.uniform()
	if which < 0.575 {
		t.left *= off()
	}
	if which >= 0.425 {
		t.right *= off()
	}
	return true
}

// micrometres is a melt-back as the machine shows it.
func micrometres(x float64) float64 { return clamp(round(x, 10), 0.1, 2000) }

// alone runs the pair on with well-prepared ends and without service, and says
// how many arcs it makes until the first session that ends without a pass;
// false when that lies beyond the horizon of arcs.
func (n *nature) alone(s state, horizon int64) (int64, bool) {
	const most = 20 // attempts: the largest limit there may be
	room := [most]try{}
	from, lastDay := s.pair.arcs, s.day+horizonDays
	for s.day < lastDay {
		v := n.next(&s)
		if s.pair.arcs-from > horizon {
			break
		}
		if !v.session {
			continue
		}
		burnt := s.pair.arcs - from
		tries := n.session(&s, v.time, true, room[:0])
		if !tries[len(tries)-1].passed {
			return burnt, true
		}
	}
	return horizon, false
}

// horizonDays ends the look ahead for machines that hardly work.
const horizonDays = 10 * 365
