package model

import (
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// stage is a part of the search: about how many attempts it uses, and its most rounds.
type stage struct{ attempts, rounds int }

// The search begins with few attempts and ends with many; for the fleet as a whole a
// rough estimate is enough.
func fullSearch() []stage  { return []stage{{1500, 3}, {6000, 1}} }
func quickSearch() []stage { return []stage{{1500, 2}} }

// learnKind estimates the parameters of one kind of machine, from the prior start.
func learnKind(start Params, histories []History, stages []stage) Params {
	p := &start
	p.readTargets(histories)
	p.programs(histories)
	p.places(histories)
	p.policy(histories)
	p.follow(histories)
	prior := *p
	if !slices.ContainsFunc(histories, History.attempted) {
		p.effects(&prior, histories)
		return *p
	}
	few := attemptsFrom(histories, stages[0].attempts)
	p.initialScatter(histories, few)
	prior.Scatter = p.Scatter
	searched := p.parameters(histories)
	for _, stage := range stages {
		sample := attemptsFrom(histories, stage.attempts)
		before := math.Inf(-1)
		for range stage.rounds {
			p.effects(&prior, histories)
			from := *p
			top := p.coordinateAscent(&prior, sample, searched)
			top = p.preferStraightWear(p.patternMove(&prior, &from, top, sample, searched), sample)
			if top < before+leastGain {
				break
			}
			before = top
		}
	}
	p.curveCovariance(&prior, few, searched)
	return *p
}

// attempted says whether the history has an attempt: counts and services alone have the
// same likelihood under any parameters.
func (h History) attempted() bool {
	return slices.ContainsFunc(h.Events, func(ev Event) bool { return ev.Kind == Attempt })
}

// leastGain ends a stage: a round that gains less log likelihood gains no more than a
// parameter does by chance.
const leastGain = 0.5

// curveCovariance sets CurveCov by Laplace's approximation in the three parameters of
// the scatter curve; where that fails it stays as it was.
func (p *Params) curveCovariance(prior *Params, sample []History, searched []parameter) {
	if len(sample) == 0 {
		return
	}
	curve := searched[:3] // scatter, its arcs, its exponent
	x, steps := make([]float64, len(curve)), make([]float64, len(curve))
	for i, k := range curve {
		x[i], steps[i] = math.Log(*k.of(p)), k.step
	}
	around, err := fit.Laplace(func(x []float64) float64 {
		q := *p
		penalty := 0.0
		for i, k := range curve {
			*k.of(&q) = math.Exp(x[i])
			penalty += k.penalty(prior, x[i])
		}
		return q.logLik(sample) - penalty
	}, x, steps)
	if err != nil {
		return
	}
	for i := range 2 {
		for j := range 2 {
			p.CurveCov[i][j] = around.Cov[(i+1)*len(curve)+j+1]
		}
	}
}

// preferStraightWear sets WearExponent to 1 unless the data speak against it: by the
// Bayesian information criterion (Schwarz 1978, Ann. Stat. 6:461) another exponent must
// gain half the logarithm of the number of attempts. top is the log likelihood before;
// it returns that after.
func (p *Params) preferStraightWear(top float64, sample []History) float64 {
	attempts := 0
	for _, h := range sample {
		attempts += len(h.Events)
	}
	if p.WearExponent == 1 || attempts == 0 {
		return top
	}
	straight := *p
	straight.WearExponent = 1
	if l := straight.logLik(sample); top-l < math.Log(float64(attempts))/2 {
		*p = straight
		return l
	}
	return top
}

// readTargets reads from the records what they state: target, tolerance, limit, and the
// usual arcs.
func (p *Params) readTargets(histories []History) {
	var target, tolerance, limit, arcs []float64
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			if ev.Kind == Attempt && !ev.Estimated {
				arcs = append(arcs, ev.Arcs)
			}
			for _, v := range []struct {
				from drift.Opt[float64]
				to   *[]float64
			}{{ev.Target, &target}, {ev.Tolerance, &tolerance}, {ev.Limit, &limit}} {
				if x, ok := v.from.Get(); ok {
					*v.to = append(*v.to, x)
				}
			}
		}
	}
	if len(arcs) >= enough {
		p.UsualArcs = median(arcs)
	}
	for _, v := range []struct {
		seen []float64
		to   *drift.Opt[float64]
	}{{target, &p.Target}, {tolerance, &p.Tolerance}, {limit, &p.Limit}} {
		if len(v.seen) > 0 {
			*v.to = drift.Some(median(v.seen))
		}
	}
	p.OneTarget = oneTarget(target, p.Target.Or(0))
}

// sides returns the distances of Side from its median on this machine; nil if there are
// too few.
func (h *History) sides() (out []float64) {
	for i := range h.Events {
		if s, ok := h.Events[i].Side.Get(); ok {
			out = append(out, s)
		}
	}
	if len(out) < enough {
		return nil
	}
	usual := median(out)
	for i := range out {
		out[i] = math.Abs(out[i] - usual)
	}
	return out
}

// initialScatter finds where the search for scatter and random walk starts. The squared
// distance of a required power from the mean of the two beside it has the expectation
// 1.5 times the variance of the scatter plus half of what the walk adds in a step. Of a
// few splits into the two it takes the likeliest.
func (p *Params) initialScatter(histories, sample []History) {
	var off, steps []float64
	for _, h := range histories {
		var x [3]float64
		n, pair, arcs, program := 0, -1, 0.0, ""
		for i := range h.Events {
			ev := &h.Events[i]
			melt, haveMelt := ev.Melt.Get()
			u, haveSetting := ev.Setting.Get()
			if !haveMelt || !haveSetting || ev.Conditioning {
				continue
			}
			if ev.Pair != pair || ev.Program != program {
				n, pair, program = 0, ev.Pair, ev.Program
			}
			x[0], x[1], x[2] = x[1], x[2], u-melt/p.Kappa
			if n++; n >= 3 {
				off = append(off, math.Abs(x[1]-(x[0]+x[2])/2))
				steps = append(steps, (ev.Arcs-arcs)/1000)
			}
			arcs = ev.Arcs
		}
	}
	if len(off) < enough {
		return
	}
	variance := sq(1.4826 * median(off))
	step := max(median(steps), 0.001)
	best, top := *p, math.Inf(-1)
	// The search is in logarithms: nothing may be 0, though results that never differ
	// ask for it.
	for _, share := range []float64{1, 0.5, 0.2, 0.05} {
		q := *p
		q.Scatter = max(math.Sqrt(share*variance/1.5), 0.01)
		if share < 1 {
			q.Walk = max(2*(1-share)*variance/step, 1e-4)
		}
		if l := q.logLik(sample); l > top {
			best, top = q, l
		}
	}
	*p = best
}

const (
	// farOff is the deviation of ln meltback, in percent, above which the ratio of a
	// correction to it is not mostly rounding.
	farOff = 2.0
	// enough is how many attempts make a median better than a guess.
	enough = 20
)

// coordinateAscent maximises the likelihood of the sample times the prior in the
// parameters that have no direct estimate: one after the other, by parabolas in its
// logarithm. It returns the log likelihood reached.
func (p *Params) coordinateAscent(prior *Params, sample []History, searched []parameter) float64 {
	here := p.logLik(sample)
	if len(sample) == 0 {
		return here
	}
	for _, k := range searched {
		x := math.Log(*k.of(p))
		at := func(x float64) float64 {
			q := *p
			q.set(k.of, math.Exp(x))
			return q.logLik(sample) - k.penalty(prior, x)
		}
		here -= k.penalty(prior, x)
		best, top := lineSearch(at, x, here, k.step)
		if best = min(max(best, math.Log(k.lowest)), math.Log(k.highest)); best != x {
			p.set(k.of, math.Exp(best))
		}
		here = top + k.penalty(prior, best)
	}
	return here
}

// patternMove continues in the direction of the last round of coordinate ascent while
// that gains: parameters that compensate for each other lie along a ridge that no single
// one can follow (after Powell 1964, Comput. J. 7:155). top is the log likelihood at p;
// it returns that where it ends.
func (p *Params) patternMove(prior, from *Params, top float64, sample []History, searched []parameter) float64 {
	if len(sample) == 0 {
		return top
	}
	penalty := func(q *Params) (sum float64) {
		for _, k := range searched {
			sum += k.penalty(prior, math.Log(*k.of(q)))
		}
		return sum
	}
	for far := 1.0; far <= 4; far *= 2 {
		q := *p
		for _, k := range searched {
			here := math.Log(*k.of(p))
			to := here + far*(here-math.Log(*k.of(from)))
			*k.of(&q) = math.Exp(min(max(to, math.Log(k.lowest)), math.Log(k.highest)))
		}
		q.rescale(p.Kappa)
		l := q.logLik(sample)
		if l-penalty(&q) <= top-penalty(p) {
			break
		}
		*p, top = q, l
	}
	return top
}

// parameter is one that the search changes: what it is in words, the standard deviation of
// its prior and the step of the search, both of its logarithm, and its bounds.
type parameter struct {
	name            string
	of              func(*Params) *float64
	sd, step        float64
	lowest, highest float64
}

// parameters lists those that these histories determine. κ is left out if hardly any
// attempt was off the target: such data have the same likelihood for any κ.
func (p *Params) parameters(histories []History) []parameter {
	off := 0
	for _, h := range histories {
		for i := range h.Events {
			if math.Abs(h.Events[i].Melt.Or(0)) >= farOff {
				off++
			}
		}
	}
	if all := searchable(); off < enough {
		return all[:len(all)-1]
	}
	return searchable()
}

// searchable lists the parameters that the search changes, κ last.
func searchable() []parameter {
	return []parameter{
		{"scatter on a new pair", func(p *Params) *float64 { return &p.Scatter }, 1.5, 0.1, 0.01, 20},
		{"age at which scatter has doubled", func(p *Params) *float64 { return &p.ScatterArcs }, 0.7, 0.25, 200, 30000},
		{"bend of the growth of scatter", func(p *Params) *float64 { return &p.ScatterExponent }, 0.5, 0.25, 0.5, 8},
		{"random change of required power", func(p *Params) *float64 { return &p.Walk }, 1.5, 0.7, 1e-4, 20},
		{"random change of wear", func(p *Params) *float64 { return &p.SlopeWalk }, 1, 0.7, 1e-4, 20},
		{"bend of wear", func(p *Params) *float64 { return &p.WearExponent }, 0.25, 0.2, 0.4, 4},
		{"rate of contamination", func(p *Params) *float64 { return &p.DirtRate }, 1.2, 0.7, 1e-3, 3},
		{"effect of contamination on required power", func(p *Params) *float64 { return &p.DirtLevel }, 0.7, 0.4, 0.05, 20},
		{"difference of scatter between pairs", func(p *Params) *float64 { return &p.ScatterScaleSD }, 0.5, 0.3, 0.05, 1},
		{"random change of scatter", func(p *Params) *float64 { return &p.ScatterScaleWalk }, 1, 0.7, 1e-4, 1},
		{"effect of cleaning on scatter", func(p *Params) *float64 { return &p.CleanScatter }, 0.4, 0.2, 0.02, 0.95},
		{"change of meltback with power", func(p *Params) *float64 { return &p.Kappa }, 0.25, 0.08, 0.3, 10},
	}
}

// AtBounds names the parameters that ended at the edge of what is taken for possible: the
// records ask for more than that, or there is something in them that the model does not
// know. (In a trial the value of the prior instead made forecasts worse.)
func (p *Params) AtBounds() (names []string) {
	const near = 1e-6
	for _, k := range searchable() {
		if x := *k.of(p); x <= k.lowest*(1+near) || x >= k.highest*(1-near) {
			names = append(names, k.name)
		}
	}
	return names
}

// penalty returns the negative log density of the prior at ln value = x, up to a
// constant: log normal about the value in prior.
func (k *parameter) penalty(prior *Params, x float64) float64 {
	return sq((x-math.Log(*k.of(prior)))/k.sd) / 2
}

// set changes one parameter, and those that are relative to κ along with κ.
func (p *Params) set(of func(*Params) *float64, to float64) {
	kappa := p.Kappa
	*of(p) = to
	if p.Kappa != kappa {
		p.rescale(kappa)
		p.Scatter *= kappa / p.Kappa
	}
}

// rescale converts the parameters that were estimated from ln meltback under another κ
// to the present one.
func (p *Params) rescale(kappa float64) {
	p.GainFail *= p.Kappa / kappa
	p.GainPass *= p.Kappa / kappa
	p.DeadBand *= kappa / p.Kappa
}

// lineSearch maximises f from x, where it is here, by parabolas, with wider steps as
// long as the maximum lies at the edge of the range tried.
func lineSearch(f func(float64) float64, x, here, step float64) (best, top float64) {
	best, top = parabola(f, x, here, step)
	for range 4 {
		if math.Abs(best-x) < 1.9*step {
			break
		}
		x, step = best, 2*step
		best, top = parabola(f, x, top, step)
	}
	return best, top
}

// parabola evaluates f at the maximum of the parabola through x−step, x and x+step, at
// most two steps away, and returns the best place of all four and f there. mid is f at
// x.
func parabola(f func(float64) float64, x, mid, step float64) (best, top float64) {
	low, high := f(x-step), f(x+step)
	best, top = x, mid
	if low > top {
		best, top = x-step, low
	}
	if high > top {
		best, top = x+step, high
	}
	guess := 2*best - x
	if bent := low - 2*mid + high; bent < 0 {
		guess = x + min(max(step/2*(low-high)/bent, -2*step), 2*step)
	}
	if guess != best {
		if there := f(guess); there > top {
			best, top = guess, there
		}
	}
	return best, top
}

// logLik returns the log likelihood of the histories.
func (p *Params) logLik(histories []History) float64 {
	all := make([]float64, len(histories))
	each(len(histories), func(i int) {
		h := &histories[i]
		m := newSilent(h.Machine, p)
		for j := range h.Events {
			m.Update(&h.Events[j])
		}
		all[i] = m.logLik
	})
	sum := 0.0
	for _, l := range all { // in this order: sums are of floats
		sum += l
	}
	return sum
}

// newSilent returns a machine for estimates from its events, which need neither its streak
// nor its grade of data.
func newSilent(name string, p *Params) *Machine {
	m := NewMachine(name, p)
	m.silent = true
	return m
}

// each calls do for 0 to n−1, on all processors.
func each(n int, do func(i int)) {
	var group sync.WaitGroup
	var next atomic.Int64
	for range min(n, runtime.GOMAXPROCS(0)) {
		group.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	group.Wait()
}

// attemptsFrom picks the histories for the likelihood, until they have about so many
// attempts: first those in which most attempts report numbers.
func attemptsFrom(histories []History, enough int) []History {
	var out, rest []History
	attempts := 0
	for _, h := range histories {
		numbers := 0
		for i := range h.Events {
			if h.Events[i].Melt.Known() && h.Events[i].Setting.Known() {
				numbers++
			}
		}
		if 2*numbers < len(h.Events) {
			rest = append(rest, h)
			continue
		}
		if attempts < enough {
			out = append(out, h)
		}
		attempts += len(h.Events)
	}
	for _, h := range rest {
		if attempts >= enough {
			break
		}
		out = append(out, h)
		attempts += len(h.Events)
	}
	return out
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
