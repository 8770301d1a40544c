package moor

import "math"

// state is all that changes about a machine. It is copied freely.
type state struct {
	t     int64 // seconds since the start
	day   int64
	phase uint8

	pair    int32
	arcs    int64 // on the pair
	burnt   int64 // in all
	wander  float64
	cleaned float64 // what cleaning has taken from the wear
	younger float64 // arcs that cleaning has taken from the age of the scatter
	shift   float64 // of dirt
	spread  float64 // of dirt
	times   int     // cleaned

	program int8
	site    int8
	set     [3]float64 // percent, by program

	today    float64 // arcs of work
	since    int64   // days since the last session
	forced   trigger
	extraAt  int64 // a session somebody has planned; 0 for none
	extraWhy trigger
	extras   int64 // so many on this day so far
	outUntil int64 // day

	open  bool // in a session
	key   int64
	began int64
	done  int
	why   trigger
	luck  float64 // the session's share of the scatter
	air   float64 // effect of the air of the session
}

type trigger uint8

const (
	noTrigger trigger = iota
	startOfDay
	moved
	weatherChange
	electrodeService
	other
)

func (t trigger) String() string {
	return []string{"", "start-of-day", "moved", "weather", "electrode-service", "other"}[t]
}

// required is required power at reference air for the program in use, in logarithms.
func (s *state) required(m *machine, p *pair) float64 {
	a := float64(s.arcs)
	r := m.programs[s.program].offset + p.offset + s.wander - s.cleaned + s.shift
	r += p.wear * p.worn(a/p.life)
	if a < 12*p.tau {
		r += p.fresh * math.Exp(-a/p.tau)
	}
	return r
}

// scatter is the standard deviation of an attempt in logarithms, heavy tails apart.
func (s *state) scatter(p *pair) float64 {
	a := float64(s.arcs)
	k := p.scatterAt(max(0, a-s.younger)/p.life) * (1 + s.spread)
	if a < 12*p.tau {
		k *= 1 + p.freshScatter*math.Exp(-a/p.tau)
	}
	return min(0.3, p.scatter*k)
}

// out is the chance that an attempt of a new session lands outside the tolerance
// when required power stands at r: the sum of a normal and, for a share of the
// attempts, a wider one.
func (s *state) out(m *machine, p *pair, r float64) float64 {
	pr := &m.programs[s.program]
	mean := math.Log1p(s.set[s.program]/100) - r
	sd := s.scatter(p)
	common, own := p.ses*sd*sd, (1-p.ses)*sd*sd
	outside := func(v float64) float64 {
		d := math.Sqrt(v)
		return below((pr.lo-mean)/d) + below((mean-pr.hi)/d)
	}
	q := outside(common + own)
	if p.tailShare > 0 {
		q += p.tailShare * (outside(common+own*p.tailWidth*p.tailWidth) - q)
	}
	return q
}

// burn wears the pair by n arcs of work.
func (s *state) burn(p *pair, c *chance, n, key int64) {
	if n <= 0 {
		return
	}
	x := float64(n)
	s.arcs += n
	s.burnt += n
	s.wander += p.wander * math.Sqrt(x) * bell(c.luck, ofWander, key, 0)
	if p.stairRate > 0 && happens(uniform(c.luck, ofStair, key, 0), p.stairRate*x) {
		s.wander += p.stairSize * (0.3 + 1.4*uniform(c.luck, ofStairSize, key, 0))
	}
	if p.dirtArcs > 0 && (s.shift != 0 || s.spread != 0) {
		left := math.Exp(-x / p.dirtArcs)
		s.shift *= left
		s.spread *= left
	}
	if happens(uniform(c.luck, ofDirt, key, 0), p.dirtRate*x) {
		s.shift += p.dirtShift * bell(c.luck, ofDirtSize, key, 0)
		s.spread += p.dirtSpread * uniform(c.luck, ofDirtScatter, key, 0)
	}
}

// happens is whether something of a given mean number happens at all.
func happens(u, mean float64) bool { return u < mean && u < -math.Expm1(-mean) }

// clean is what a good cleaning does; it does less each time.
func (s *state) clean(p *pair) {
	less := math.Pow(p.cleanLess, float64(s.times))
	q := min(0.9, p.cleanWear*less)
	s.cleaned += q * (p.wear*p.worn(float64(s.arcs)/p.life) + s.wander - s.cleaned)
	s.younger += q * (float64(s.arcs) - s.younger)
	d := p.cleanDirt * (0.5 + 0.5*less)
	s.shift *= 1 - d
	s.spread *= 1 - d
	s.times++
}

// replace fits the next pair.
func (s *state) replace(m *machine) {
	s.pair++
	s.arcs, s.wander, s.cleaned, s.younger, s.shift, s.spread, s.times = 0, 0, 0, 0, 0, 0, 0
	s.arcs += m.model.conditioning
	s.burnt += m.model.conditioning
	if m.model.resets {
		s.set = [3]float64{}
	}
}
