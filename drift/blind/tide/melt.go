package tide

import (
	"math"
)

// attempt is one test arc and what the machine made of it.
type attempt struct {
	number      int
	program     int
	left, right float64 // µm
	centre      float64 // µm
	setting     float64 // %: in force
	correction  float64 // %: made afterwards
	passed      bool
	fresh       bool // ends were prepared for this attempt
	spoilt      bool // the ends were not well prepared
	trigger     string
	arcs        int64 // on the pair, with this one
	counter     int64 // what the counter shows
}

// melt is the meltback for power relative to what is required, as logarithm. Glass
// softens above a start of power and melts back faster the hotter it is; below it
// only the edges round off.
func (p *program) melt(power float64) float64 {
	above := (math.Exp(power) - p.start) / (1 - p.start)
	return max(2, p.target*math.Pow(max(0, above), p.curve))
}

// power is the inverse of melt.
func (p *program) power(melt float64) float64 {
	return math.Log(p.start + (1-p.start)*math.Pow(max(0, melt)/p.target, 1/p.curve))
}

// surplus is how far the setting lies above required power, as logarithm.
func (m *machine) surplus(s *state) float64 {
	return math.Log1p(s.setting[s.program]/100) - m.required(s, s.program) - m.breath.effect(s.air)
}

// try makes one attempt. Every number is drawn in any case, so that the same
// attempt with better ends has the same luck.
func (m *machine) try(s *state, r *stream, prepared bool) attempt {
	p := &m.programs[s.program]
	scatter, jumps := m.spread(s)
	z := r.normal()
	if r.yes(jumps) {
		z *= m.model.jump
	}
	melt := p.melt(m.surplus(s) + scatter*(z+m.model.today*s.today))
	skew := m.model.lopsided * (1 + float64(s.arcs)/s.pair.life) * (s.pair.offset/m.wear.seat + 0.5*r.normal())
	a := attempt{number: s.tried + 1, program: s.program, setting: s.setting[s.program], trigger: s.trigger}
	a.fresh = s.tried == 0 || !r.yes(m.crew.reuse)
	spoilt := r.yes(m.crew.bad*(1+(m.crew.blunt-1)*min(1, s.blade/m.blade))) || !a.fresh
	// A slanted or chipped end melts back less, seldom more, and one side more than
	// the other: common practice; the size is a guess.
	harm, bias := 0.04+0.12*math.Abs(r.normal()), 0.06*r.normal()
	if r.yes(0.25) {
		harm = -harm
	}
	if a.spoilt = spoilt && !prepared; a.spoilt {
		melt *= math.Exp(-harm)
		skew += bias
	}
	a.left = m.seen(melt*(1+skew) + m.model.noise*r.normal())
	a.right = m.seen(melt*(1-skew) + m.model.noise*r.normal())
	a.centre = math.Round(10*(melt*skew/2+2*r.normal())) / 10
	off := (a.left+a.right)/2 - p.target
	a.passed = math.Abs(off) <= p.tolerance
	a.correction = m.correct.after(off/p.target/p.steepness(), a.passed, a.setting)
	m.set(s, a.setting+a.correction)
	m.burn(s, 1, r)
	a.arcs, a.counter = s.arcs, s.arcs+s.ahead
	return a
}

// seen is what the camera makes of a length.
func (m *machine) seen(um float64) float64 {
	step := m.model.pixel
	return min(2000, max(step, math.Round(math.Round(um/step)*step*10)/10))
}

// after is the correction for a relative error of power.
func (c *correction) after(power float64, passed bool, setting float64) float64 {
	off := 100 * power / c.misjudged
	if passed && !c.trims || math.Abs(off) < c.dead {
		return 0
	}
	change := min(c.most, max(-c.most, -c.gain*off))
	change = math.Round(change/c.step) * c.step
	to := min(c.limit, max(-c.limit, setting+change))
	return math.Round(100*(to-setting)) / 100
}

// set puts a setting into force.
func (m *machine) set(s *state, to float64) {
	to = math.Round(100*to) / 100
	if !m.model.inOne {
		s.setting[s.program] = to
		return
	}
	for i := range s.setting {
		s.setting[i] = to
	}
}

// out is the chance that a well-prepared attempt lands outside the tolerance: the
// laws of try, summed instead of drawn.
func (m *machine) out(s *state) float64 {
	p := &m.programs[s.program]
	scatter, jumps := m.spread(s)
	at := m.surplus(s)
	plain := scatter * math.Hypot(1, m.model.today)
	jumping := scatter * math.Hypot(m.model.jump, m.model.today)
	// The camera's noise, with its steps, moves the mean of both ends.
	noise := math.Hypot(m.model.noise/math.Sqrt2, m.model.pixel/math.Sqrt(24))
	var inside, weights float64
	const half = 8
	for i := -half; i <= half; i++ {
		e := 3.5 * float64(i) / half
		w := math.Exp(-e * e / 2)
		low := p.power(p.target-p.tolerance-noise*e) - at
		high := p.power(p.target+p.tolerance-noise*e) - at
		in := (1-jumps)*(below(high/plain)-below(low/plain)) + jumps*(below(high/jumping)-below(low/jumping))
		inside += w * in
		weights += w
	}
	return 1 - inside/weights
}

// below is the share of a normal distribution below z.
func below(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }
