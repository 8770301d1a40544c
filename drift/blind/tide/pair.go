package tide

import "math"

// wearing is how pairs of electrodes age in a model of machine, or in one machine.
type wearing struct {
	life      float64 // arcs: when a pair is worn, median
	lifeSD    float64 // of its logarithm, from pair to pair
	poor      float64 // share of pairs from a poor lot, which wear in half the time
	drift     float64 // change of required power, as logarithm, when worn
	driftSD   float64 // of its logarithm, from pair to pair
	seat      float64 // how differently pairs sit: standard deviation of required power
	form      form
	bend      float64 // of the form
	wander    float64 // standard deviation of required power over 1,000 arcs, without aim
	growth    float64 // scatter of a worn pair is 1 + growth times that of a new one
	steep     float64 // how suddenly scatter grows
	jumps     float64 // share of arcs that jump, of a new pair
	jumpsGrow float64 // what wear adds to it
	settling  float64 // arcs in which a new pair settles
	unsettled float64 // required power of a pair that has not settled

	soil     float64 // deposit per 1,000 arcs, as change of required power
	splashes float64 // sudden deposits per 1,000 arcs
	splash   float64 // their size, median
	burns    float64 // share of a splash that burns off
	burnArcs float64 // arcs in which it does
	rough    float64 // relative scatter that 1 % of deposit adds
}

// form is the course of required power over the life of a pair.
type form int

// The forms: nobody has published which is true, so a model of machine draws one.
const (
	straight form = iota
	slowing       // tips round off quickly, then slowly
	rising        // wear feeds on itself
	settled       // a first rise, then straight
	kneed         // slow, then faster
)

func (f form) String() string {
	return [...]string{"straight", "slowing", "rising", "settled", "kneed"}[f]
}

// pair is a fitted pair of electrodes.
type pair struct {
	life, drift, offset, bend float64
	form                      form
}

// fit draws a new pair.
func (w *wearing) fit(r stream) pair {
	p := pair{
		life: r.about(w.life, w.lifeSD), drift: r.about(math.Abs(w.drift), w.driftSD), offset: w.seat * r.normal(),
		bend: r.about(w.bend, 0.1), form: w.form,
	}
	if r.yes(w.poor) {
		p.life /= 2
	}
	if w.drift < 0 {
		p.drift = -p.drift
	}
	return p
}

// trend is the required power after so many arcs beside that of the new pair,
// without deposits, as logarithm.
func (p *pair) trend(arcs float64) float64 {
	x := arcs / p.life
	switch p.form {
	case slowing, rising:
		return p.drift * math.Pow(x, p.bend)
	case settled:
		return p.drift * (0.35*(1-math.Exp(-x/0.08)) + 0.65*x)
	case kneed:
		return p.drift * (0.5*x + 1.2*max(0, x-p.bend))
	default:
		return p.drift * x
	}
}

// drawWearing is for a model; life is the fleet's median.
func drawWearing(r *stream, life float64) wearing {
	w := wearing{
		life: r.about(life, 0.15), lifeSD: r.between(0.18, 0.34), poor: r.between(0, 0.05),
		drift: r.between(0.015, 0.05), driftSD: r.between(0.2, 0.4), seat: r.between(0.003, 0.01),
		form: form(r.pick(3, 2, 1.5, 1.5, 2)), wander: r.between(0.003, 0.007),
		growth: r.between(1.2, 2.4), steep: r.between(1.6, 3.2),
		jumps: r.between(0.005, 0.02), jumpsGrow: r.between(0.02, 0.1),
		settling: r.between(6, 15), unsettled: r.between(-0.02, 0.02),
		soil: r.between(0.002, 0.009), splashes: r.between(0.1, 0.6), splash: r.between(0.006, 0.016),
		burns: r.between(0.4, 0.9), burnArcs: r.between(30, 150), rough: r.between(0.08, 0.25),
	}
	switch w.form {
	case slowing:
		w.bend = r.between(0.5, 0.8)
	case rising:
		w.bend = r.between(1.3, 1.9)
	case kneed:
		w.bend = r.between(0.5, 0.75)
	}
	if r.yes(0.12) { // a few models need less power as the tips sharpen: a guess
		w.drift = -w.drift
	}
	return w
}

// of varies a model's wear for one of its machines.
func (w wearing) of(r *stream) wearing {
	w.life = r.about(w.life, 0.08)
	w.drift *= r.about(1, 0.12)
	w.wander = r.about(w.wander, 0.15)
	w.soil = r.about(w.soil, 0.3)
	w.splashes = r.about(w.splashes, 0.3)
	return w
}

// burn lets a number of arcs wear and soil the pair.
func (m *machine) burn(s *state, arcs int, r *stream) {
	n, w := float64(arcs), &m.wear
	s.arcs += int64(arcs)
	s.sinceCleaned += int64(arcs)
	s.wander += w.wander * math.Sqrt(n/1000) * r.normal()
	s.unsettled *= math.Exp(-n / w.settling)
	s.fresh *= math.Exp(-n / w.burnArcs)
	s.soil += w.soil * n / 1000 * 2 * r.unit()
	if r.yes(1 - math.Exp(-w.splashes*n/1000)) {
		size := r.about(w.splash, 0.6)
		s.fresh += w.burns * size
		s.soil += (1 - w.burns) * size
	}
	s.blade += n
}

// required is the required power at reference air for a program, as logarithm of
// power over nominal, without the scatter of attempts.
func (m *machine) required(s *state, program int) float64 {
	return m.offset + m.programs[program].offset + s.pair.offset + s.pair.trend(float64(s.arcs)) + s.wander +
		m.dirt*(s.soil+s.fresh) + m.wear.unsettled*s.unsettled
}

// spread is the scatter of attempts now, as logarithm of power, and the share of
// attempts whose arc jumps.
func (m *machine) spread(s *state) (scatter, jumps float64) {
	x := float64(s.arcs) / s.pair.life
	w := &m.wear
	scatter = m.scatter * (1 + w.growth*math.Pow(x, w.steep)) * (1 + w.rough*100*(s.soil+s.fresh)) * (1 + 1.5*s.unsettled)
	return min(scatter, 0.25), min(0.4, w.jumps+w.jumpsGrow*x*x)
}
