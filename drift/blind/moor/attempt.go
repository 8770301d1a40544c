package moor

import "math"

// attempt is one test arc and what the machine made of it.
type attempt struct {
	ordinal     int
	passed      bool
	failed      bool // the session has now used up its attempts
	last        bool
	program     int8
	left, right float64 // µm
	set         float64 // percent in force
	correction  float64
	spoilt      bool
	sameEnds    bool
}

// try makes the next attempt of the session in progress.
func (w *walk) try() attempt {
	s, m := &w.st, w.m
	p := &m.programs[s.program]
	s.done++
	s.t += 100 + int64(200*uniform(w.c.own, ofGap, s.key, int64(s.done)))
	a := attempt{ordinal: s.done, program: s.program, set: s.set[s.program]}
	sd := s.scatter(w.pair) * math.Sqrt(1-w.pair.ses)
	if w.pair.tailShare > 0 && uniform(w.c.luck, ofTail, s.key, int64(s.done)) < w.pair.tailShare {
		sd *= w.pair.tailWidth
	}
	x := math.Log1p(a.set/100) - s.required(m, w.pair) - s.air - s.luck - sd*normal(w.c.luck, ofNoise, s.key, int64(s.done))
	s.arcs++
	s.burnt++
	left, right := 1.0, 1.0
	if w.people {
		if left, right = w.ends(&a); a.spoilt {
			x += math.Log((left+right)/2) / p.exponent
		}
	}
	a.passed = x >= p.lo && x <= p.hi
	a.correction = w.correct(p, a.set, x, a.passed)
	s.set[s.program] = math.Round((a.set+a.correction)*1000) / 1000
	limit := m.fleet.limit
	a.failed = !a.passed && s.done == limit
	a.last = a.passed || s.done >= limit+w.stubborn()
	s.open = !a.last
	if w.people {
		w.measure(&a, p, x, left/right)
	}
	return a
}

// correct is the change of setting that the machine makes after an attempt that
// showed x too much power (in logarithms).
func (w *walk) correct(p *program, set, x float64, passed bool) float64 {
	o := w.m.model
	if passed && !o.afterPass {
		return 0
	}
	want := -p.gain * x * (100 + set)
	if math.Abs(x) < o.deadBand*p.width() {
		return 0
	}
	if o.fixedStep {
		want = math.Copysign(p.width()*80*p.gain, want)
	}
	want = min(max(want, -o.maxStep), o.maxStep)
	want = math.Round(want/o.step) * o.step
	if to := set + want; math.Abs(to) > o.limitPct {
		if o.holds && o.limitPct-math.Abs(set) < 100*p.width() {
			return 0
		}
		want = math.Copysign(o.limitPct, to) - set
	}
	return math.Round(want*1000) / 1000
}

// stubborn is how many attempts beyond the limit a crew makes in this session.
func (w *walk) stubborn() int {
	n := 0
	for n < 2 && uniform(w.c.own, ofStubborn, w.st.key, int64(n)) < w.crew().stubborn {
		n++
	}
	return n
}

// crew is the one at work in the session in progress.
func (w *walk) crew() *crew {
	m := w.m
	return &m.fleet.crews[m.crews[w.c.crewOf(w.st.key)]]
}

func (c *chance) crewOf(key int64) int { return int(hash(c.own, ofCrew, key/keysADay/7, 0) % 2) }

// ends says how much more the two ends melt back for how they were prepared.
func (w *walk) ends(a *attempt) (left, right float64) {
	s, c := &w.st, w.crew()
	k, n := s.key, int64(a.ordinal)
	if n > 1 && uniform(w.c.own, ofLazy, k, n) < c.lazy {
		a.sameEnds = true
		a.spoilt = true
	}
	chance := c.spoils
	if c.isBlunt(s.day) {
		chance = c.blunt
	}
	a.spoilt = a.spoilt || uniform(w.c.own, ofEnds, k, n) < chance
	if !a.spoilt {
		return 1, 1
	}
	size := func(i int64) float64 {
		v := c.size * (0.3 + 1.4*uniform(w.c.own, ofEndsSize, k, 2*n+i))
		if uniform(w.c.own, ofEndsSide, k, 2*n+i) < c.high {
			return math.Exp(v)
		}
		return math.Exp(-v)
	}
	left, right = size(0), size(1)
	if u := uniform(w.c.own, ofEndsSide, k, -n); u < c.oneSided {
		if u < c.oneSided/2 {
			left = 1
		} else {
			right = 1
		}
	}
	return left, right
}

// isBlunt is whether the crew's blade is blunt on a day.
func (c *crew) isBlunt(day int64) bool {
	spell := floorDiv(day, c.spell)
	if uniform(c.seed, ofBlunt, spell, 0) >= c.bouts {
		return false
	}
	from := uniform(c.seed, ofBlunt, spell, 1)
	at := float64(day-spell*c.spell) / float64(c.spell)
	return at >= from*0.6
}

// measure fills in what the machine saw at both ends.
func (w *walk) measure(a *attempt, p *program, x, ratio float64) {
	mean := p.target * math.Exp(p.exponent*x)
	// Sides differ a little always; their mean is what counts.
	side := 0.06*uniform(w.c.own, ofSpread, -1, 0) - 0.03 + 0.02*normal(w.c.own, ofSpread, w.st.key, int64(a.ordinal))
	share := ratio / (1 + ratio)
	a.left = 2 * mean * min(max(share+side/2, 0.02), 0.98)
	a.right = 2*mean - a.left
}
