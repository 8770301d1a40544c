package model

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"arcdrift/drift/fit"
)

// Smoother follows a machine onwards and remembers enough to say, afterwards, the state of
// the machine at moments on the way: by all records before and after them. It draws
// courses of the state backwards (see [fit.Backward]) through the filter's own steps,
// and through the changes of the scatter scale as Kim (1994, J. Econometrics
// 60:1) does for models that switch: the scatter scale before a change is drawn by how
// likely each makes the state after it.
//
// The state is kept beside a copy of itself as it was at the last step, so that every
// approximation of the filter is in their joint distribution.
type Smoother struct {
	machine *Machine
	trace   *trace
	stands  []Stand
}

// Smoother begins at the state of the machine, which is left as it is.
func (m *Machine) Smoother() *Smoother {
	c := m.Clone()
	wide := newFilterOf(2 * states)
	wide.weight = c.filter.weight
	for k, g := range c.filter.state {
		to := wide.state[k]
		copy(to.Mean, g.Mean)
		for i := range states {
			copy(to.Cov[i*2*states:i*2*states+states], g.Cov[i*states:(i+1)*states])
		}
	}
	wide.trace = &trace{}
	wide.trace.begin(wide)
	c.filter = wide
	return &Smoother{machine: c, trace: wide.trace}
}

// Update updates with the next event. Its step counts from the arcs where the machine
// is, as [Smoother.Advance] may have done part of it.
func (s *Smoother) Update(ev *Event) {
	if ev.Pair == s.machine.pair {
		on := *ev
		on.Step = min(on.Step, max(ev.Arcs-s.machine.arcs, 0))
		ev = &on
	}
	s.machine.Update(ev)
}

// Advance brings the fitted pair to so many arcs, if it is not there yet.
func (s *Smoother) Advance(arcs float64) {
	m := s.machine
	if step := arcs - m.arcs; step > 0 {
		m.filter.advance(m.params, arcs, step)
		m.arcs, m.scatterAge = arcs, m.scatterAge+step
	}
}

// Arcs are those on the fitted pair.
func (s *Smoother) Arcs() float64 { return s.machine.arcs }

// Stand is a machine at a moment, apart from its state: what turns a state
// into a chance. Air is that of its last attempt.
type Stand struct {
	Last time.Time
	Pair int
	Air  [airTerms]float64
	// Arcs on the pair, and since it was cleaned.
	Arcs, SinceCleaned float64
	params             *Params
	scatterAge         float64
	at                 int // of the links
}

// Mark remembers the present moment as one to say more of, and returns its number.
func (s *Smoother) Mark() int {
	s.trace.step(s.machine.filter)
	m := s.machine
	s.stands = append(s.stands, Stand{
		Last: m.last, Pair: m.pair, Air: m.air, Arcs: m.arcs, SinceCleaned: m.arcs - m.cleanedAt,
		params: m.params, scatterAge: m.scatterAge, at: len(s.trace.links),
	})
	return len(s.stands) - 1
}

// Stands are those of the marks, in order.
func (s *Smoother) Stands() []Stand { return s.stands }

// Draws draws n courses of the machine's state and returns their states at the marks:
// one row a draw. The same seed gives the same draws.
func (s *Smoother) Draws(n int, seed uint64) [][]Draw {
	s.trace.step(s.machine.filter)
	rng := rand.New(rand.NewPCG(seed, 0))
	out := make([][]Draw, n)
	block := make([]Draw, n*len(s.stands))
	end := s.trace.now(s.machine.filter)
	for i := range out {
		out[i] = block[i*len(s.stands) : (i+1)*len(s.stands) : (i+1)*len(s.stands)]
		s.draw(&end, out[i], rng)
	}
	return out
}

func (s *Smoother) draw(end *mixture, to []Draw, rng *rand.Rand) {
	var x [states]float64
	k := pick(end.weight[:], rng)
	end.draw(k, &x, rng)
	mark := len(s.stands) - 1
	for at := len(s.trace.links); ; at-- {
		for ; mark >= 0 && s.stands[mark].at == at; mark-- {
			to[mark] = drawOf(&x, k, rng)
		}
		if at == 0 || mark < 0 {
			return
		}
		k = s.trace.links[at-1].back(k, &x, rng)
	}
}

// Out returns the chances that a splice or attempt with well-prepared ends, in an air
// and at the state drawn, gets too much or too little power to be within the tolerance.
// off is how far the power needed lies above the setting, in log percent; beside is
// added to it for what is not known of the air.
func (s *Stand) Out(d *Draw, air [airTerms]float64, beside float64) (strong, weak, off float64) {
	off = d.Level - d.Setting + beside
	for i, a := range air {
		off += d.Air[i] * a
	}
	lo, hi := s.params.Window()
	sd := s.params.ScatterAt(s.scatterAge) * d.ScatterScale
	return fit.NormalCDF((lo - off) / sd), fit.NormalCDF((off - hi) / sd), off
}

// Window is the tolerance then in force: see [Params.Window].
func (s *Stand) Window() (lo, hi float64) { return s.params.Window() }

// trace keeps the links between the states of a filter, in order.
type trace struct {
	links []link
	fresh *[scatterScales]float64
}

// link is one step of the filter, to be gone backwards: the scatter scale and the state
// after it come in, those before it come out.
type link interface {
	back(k int, x *[states]float64, rng *rand.Rand) int
}

// begin makes the copies equal to the state.
func (t *trace) begin(f *filter) {
	const n = states
	for _, g := range f.state {
		copy(g.Mean[n:], g.Mean[:n])
		for i := range n {
			own := g.Cov[i*2*n : i*2*n+n]
			copy(g.Cov[i*2*n+n:(i+1)*2*n], own)
			copy(g.Cov[(n+i)*2*n:(n+i)*2*n+n], own)
			copy(g.Cov[(n+i)*2*n+n:(n+i+1)*2*n], own)
		}
	}
}

// step ends a stretch in which every scatter scale went on by itself.
func (t *trace) step(f *filter) {
	l := &flow{fresh: t.fresh}
	for k := range f.state {
		l.kernel[k] = fit.NewBackward(&f.state[k], states)
	}
	t.links, t.fresh = append(t.links, l), nil
	t.begin(f)
}

// pair notes that a new pair is fitted: the scatter scale begins anew.
func (t *trace) pair(f *filter) {
	t.step(f)
	was := f.weight
	t.fresh = &was
}

// change notes that the scatter scales are about to change.
func (t *trace) change(f *filter, p *Params, dirty, shift float64) {
	t.step(f)
	t.links = append(t.links, &changed{mixture: t.now(f), dirty: dirty, shift: shift, dirt: p.DirtStep()})
}

// now is the filter's distribution.
func (t *trace) now(f *filter) (m mixture) {
	m.weight = f.weight
	for k, g := range f.state {
		copy(m.mean[k][:], g.Mean)
		r := &m.root[k]
		for i, a := range places {
			for j, b := range places {
				r[i*states+j] = g.Cov[a*2*states+b]
			}
		}
		fit.Root(r[:], states)
		for i := range states - 1 {
			if d := r[i*states+i]; d > 0 {
				m.logDet[k] += math.Log(d)
			}
		}
	}
	return m
}

// flow is a step in which the scatter scale stays as it is.
type flow struct {
	kernel [scatterScales]fit.Backward
	fresh  *[scatterScales]float64
}

func (l *flow) back(k int, x *[states]float64, rng *rand.Rand) int {
	if l.fresh != nil {
		k = pick(l.fresh[:], rng)
	}
	l.kernel[k].Draw(x[:], x[:], rng)
	return k
}

// mixture is a normal distribution for every scatter scale, with what it takes to draw
// from it and to rate how likely it makes a state. The level is looked at given all
// else, since dirt moves it alone.
type mixture struct {
	weight [scatterScales]float64
	mean   [scatterScales][states]float64
	// root is that of the covariance with the level put last, logDet the logarithm of
	// the determinant of all but the level's row.
	root   [scatterScales][states * states]float64
	logDet [scatterScales]float64
}

// places are the components in the order of the root: the level last.
var places = [states]int{slope, airAt, airAt + 1, airAt + 2, setting, offset, level}

func (m *mixture) draw(k int, x *[states]float64, rng *rand.Rand) {
	*x = m.mean[k]
	for j := range states {
		z := rng.NormFloat64()
		for i := j; i < states; i++ {
			x[places[i]] += m.root[k][i*states+j] * z
		}
	}
}

// look returns the log density, under scatter scale k, of all components but the level, up
// to a constant, and mean and variance of the level given them.
func (m *mixture) look(k int, x *[states]float64) (logLik, mean, variance float64) {
	var z [states]float64
	r := &m.root[k]
	for i, a := range places {
		sum := 0.0
		for j := range i {
			sum += r[i*states+j] * z[j]
		}
		if a == level {
			mean, variance = m.mean[k][level]+sum, sq(r[i*states+i])
			break
		}
		if d := r[i*states+i]; d > 0 {
			z[i] = (x[a] - m.mean[k][a] - sum) / d
			logLik -= z[i] * z[i] / 2
		}
	}
	return logLik - m.logDet[k], mean, max(variance, leastVar)
}

// leastVar keeps a level known to rounding from ruling out all other scatter scales, in
// squared log percent.
const leastVar = 1e-6

// changed is a step in which the scatter scale may have changed: see filter.transition.
type changed struct {
	mixture
	dirty, shift, dirt float64
}

// back draws where the state came from: Bayes over every way that leads to it.
func (l *changed) back(k int, x *[states]float64, rng *rand.Rand) int {
	const most = 3 + mostSteps
	var from [most]int
	var weight, levels, doubts [most]float64
	n := 0
	add := func(source int, chance, dirt float64) {
		logLik, mean, variance := l.look(source, x)
		v := variance + dirt*dirt
		off := x[level] - mean - dirt
		from[n], levels[n], doubts[n] = source, mean, variance
		weight[n] = math.Log(l.weight[source]*chance) + logLik - (math.Log(v)+off*off/v)/2
		n++
	}
	up := float64(min(mostSteps, scatterScales-1-k)) / mostSteps
	stays := 1 - l.dirty*up
	if k > 0 {
		stays -= l.shift
		add(k-1, l.shift, 0)
	}
	if k < scatterScales-1 {
		stays -= l.shift
		add(k+1, l.shift, 0)
	}
	add(k, stays, 0)
	clean := n
	for source := k - 1; source >= max(0, k-mostSteps); source-- {
		add(source, l.dirty/mostSteps, l.dirt)
	}
	top := slices.Max(weight[:n])
	for i := range n {
		weight[i] = math.Exp(weight[i] - top)
	}
	way := pick(weight[:n], rng)
	if way >= clean {
		// The level before is normal, and so is what dirt added (see filter.transition).
		mean, v, d := levels[way], doubts[way], l.dirt*l.dirt
		gain := v / (v + d)
		x[level] = mean + gain*(x[level]-mean-l.dirt) + math.Sqrt(gain*d)*rng.NormFloat64()
	}
	return from[way]
}

// pick draws a place by its weight.
func pick(weight []float64, rng *rand.Rand) int {
	sum := 0.0
	for _, w := range weight {
		sum += w
	}
	at := rng.Float64() * sum
	for k, w := range weight {
		if at -= w; at < 0 {
			return k
		}
	}
	return len(weight) - 1
}
