package model

import (
	"math"
	"slices"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// stage is a part of the search: how many attempts it looks at, and for how many
// rounds at most.
type stage struct{ attempts, rounds int }

// The search finds its way on few attempts and settles on many; of the fleet as
// a whole a rough idea is enough.
func thorough() []stage { return []stage{{1500, 3}, {6000, 1}} }
func brief() []stage    { return []stage{{1500, 2}} }

// learnKind estimates the values of one kind of machine, starting from what is
// believed of its like: as they are likeliest, which is where another kind may
// start from, and with the doubt about them.
func learnKind(start Params, histories []History, stages []stage) (likeliest, doubted Params) {
	few := likely(histories, stages[0].attempts)
	if len(few) == 0 {
		// Counts and services alone fit any values.
		return start, start
	}
	p := &start
	p.told(histories)
	p.gains(histories)
	prior := *p
	scatter, wear := scatterKnobs(), p.wearKnobs(histories)
	p.rough(histories, few)
	prior.Scatter = p.Scatter
	for _, stage := range stages {
		sample := likely(histories, stage.attempts)
		telling := tellers(sample)
		before := math.Inf(-1)
		for range stage.rounds {
			p.effects(&prior, histories)
			from := *p
			p.climb(&prior, sample, scatter)
			top := p.climb(&prior, telling, wear)
			top = p.stride(&prior, &from, top, telling, slices.Concat(scatter, wear))
			top = p.straighten(top, telling)
			if top < before+settledGain {
				break
			}
			before = top
		}
	}
	worth := float64(attempts(likely(histories, stages[len(stages)-1].attempts))) / float64(attempts(few))
	p.doubtCurve(&prior, few, worth)
	doubted = *p
	doubted.doubtSpreads(&prior, few, worth)
	return *p, doubted
}

// settledGain ends a stage: a round that wins less in log likelihood wins what a
// parameter wins by chance.
const settledGain = 0.5

// doubtCurve says how well the course of the scatter is known; where the sample
// does not tell, as well as that of the like it started from.
func (p *Params) doubtCurve(prior *Params, sample []History, worth float64) {
	curve := scatterKnobs()[:3] // scatter, its arcs, its bend
	cov, ok := p.doubts(prior, sample, worth, curve)
	if !ok {
		return
	}
	for i := range 2 {
		for j := range 2 {
			p.CurveCov[i][j] = cov[(i+1)*len(curve)+j+1]
		}
	}
}

// doubtSpreads makes of the spread between pairs, as it is likeliest, that of a new
// pair, for which the doubt about mean and spread counts too (Morris 1983, J. Am.
// Stat. Assoc. 78:47): the variance of the mean is added to the mean of the square
// of the spread, taken as log normal.
func (p *Params) doubtSpreads(prior *Params, sample []History, worth float64) {
	likeliest, knobs := *p, prior.means()
	sample = tellers(sample)
	for i := 0; i < len(knobs); i += 2 {
		both := knobs[i : i+2] // a mean and its spread
		if cov, ok := likeliest.doubts(prior, sample, worth, both); ok {
			spread := both[1].of(p)
			*spread = math.Sqrt(sq(*spread)*math.Exp(2*min(cov[3], sq(both[1].sd))) + cov[0])
		}
	}
}

// doubts is the covariance of some values by the curvature of the likelihood of
// what a sample showed, which stands for worth times as much, times the prior;
// false where that says nothing.
func (p *Params) doubts(prior *Params, sample []History, worth float64, of []knob) ([]float64, bool) {
	x, steps := make([]float64, len(of)), make([]float64, len(of))
	at := func(x []float64) float64 {
		q := *p
		doubt := 0.0
		for i, k := range of {
			k.put(&q, x[i])
			doubt += k.doubt(prior, x[i])
		}
		return worth*q.logLik(sample) - doubt
	}
	for i, k := range of {
		x[i], steps[i] = k.at(p), k.step
	}
	top := at(x)
	for i, step := range steps {
		aside := func(by float64) float64 {
			y := slices.Clone(x)
			y[i] += by
			return at(y)
		}
		// Steps as long as the doubt see the curve where it matters.
		if bent := 2*top - aside(step) - aside(-step); bent > 1 {
			steps[i] /= math.Sqrt(bent)
		}
	}
	around, err := fit.Laplace(at, x, steps)
	return around.Cov, err == nil
}

// straighten takes wear for straight unless the data insist: by the Bayesian
// information criterion (Schwarz 1978, Ann. Stat. 6:461) a bend must win half
// the logarithm of the number of attempts. top is the log likelihood now; that
// after is returned.
func (p *Params) straighten(top float64, sample []History) float64 {
	if p.Bend == 1 {
		return top
	}
	straight := *p
	straight.Bend = 1
	if l := straight.logLik(sample); top-l < math.Log(float64(attempts(sample)))/2 {
		*p = straight
		return l
	}
	return top
}

// told takes what the records say outright: the values aimed at.
func (p *Params) told(histories []History) {
	var target, tolerance, limit []float64
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
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
	for _, v := range []struct {
		seen []float64
		to   *drift.Opt[float64]
	}{{target, &p.Target}, {tolerance, &p.Tolerance}, {limit, &p.Limit}} {
		if len(v.seen) > 0 {
			*v.to = drift.Some(median(v.seen))
		}
	}
}

// gains learns how much of a deviation the machines correct: the median ratio
// of correction to measured deviation, over attempts that were far enough off
// to tell and did not run into the limit.
func (p *Params) gains(histories []History) {
	var after [2][]float64
	var sides []float64
	for _, h := range histories {
		sides = append(sides, h.sides()...)
		for i := range h.Events {
			ev := &h.Events[i]
			melt, have := ev.Melt.Get()
			next, told := ev.Next.Get()
			if !have || !told || ev.Clipped || math.Abs(melt) < farOff {
				continue
			}
			which := 0
			if ev.Passed {
				which = 1
			}
			after[which] = append(after[which], (next-ev.Setting.Or(0))/(-melt/p.Kappa))
		}
	}
	if len(after[0]) >= enough {
		p.GainFail = min(max(median(after[0]), 0), 1.5)
	}
	if len(after[1]) >= enough {
		p.GainPass = min(max(median(after[1]), 0), 1.5)
	}
	if len(sides) >= enough {
		p.SideSD = 1.4826 * median(sides)
	}
}

// sides are how far the two ends differed from how they mostly do on this machine.
func (h *History) sides() (out []float64) {
	for i := range h.Events {
		if s, ok := h.Events[i].Side.Get(); ok {
			out = append(out, s)
		}
	}
	if len(out) < enough {
		return nil
	}
	lean := median(out)
	for i := range out {
		out[i] = math.Abs(out[i] - lean)
	}
	return out
}

// rough finds where the search for scatter and random walk starts. What
// neighbouring attempts show, the median distance of a required power from the
// mean of those before and after it, is 1.5 times the variance of the scatter
// plus half of what the walk adds in a step: the split that is likeliest wins.
func (p *Params) rough(histories, sample []History) {
	var off, steps []float64
	for _, h := range histories {
		var x [3]float64
		n, pair, arcs := 0, -1, 0.0
		for i := range h.Events {
			ev := &h.Events[i]
			melt, haveMelt := ev.Melt.Get()
			u, haveSetting := ev.Setting.Get()
			if !haveMelt || !haveSetting || ev.Conditioning {
				continue
			}
			if ev.Pair != pair {
				n, pair = 0, ev.Pair
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
	// farOff is the deviation of ln meltback, in percent, from which the ratio
	// of a correction to it is not mostly rounding.
	farOff = 2.0
	// enough attempts make a median worth more than a guess.
	enough = 20
)

// climb searches the values that have no estimate of their own by the
// likelihood of everything the sampled machines showed, times the prior: one
// value after the other, by parabolas. It returns the top reached.
func (p *Params) climb(prior *Params, sample []History, knobs []knob) float64 {
	here := p.logLik(sample)
	for _, k := range knobs {
		x := k.at(p)
		at := func(x float64) float64 {
			q := *p
			q.turn(&k, x)
			return q.logLik(sample) - k.doubt(prior, x)
		}
		here -= k.doubt(prior, x)
		best, top := climbFrom(at, x, here, k.step)
		if best != x {
			p.turn(&k, best)
		}
		here = top + k.doubt(prior, best)
	}
	return here
}

// stride goes on in the direction a round of climbing took, while that wins:
// values that make up for each other move along a ridge that no single one can
// follow (after Powell 1964, Comput. J. 7:155). top is the log likelihood at p;
// that where it ends is returned.
func (p *Params) stride(prior, from *Params, top float64, sample []History, knobs []knob) float64 {
	doubt := func(q *Params) (sum float64) {
		for _, k := range knobs {
			sum += k.doubt(prior, k.at(q))
		}
		return sum
	}
	for far := 1.0; far <= 4; far *= 2 {
		q := *p
		for _, k := range knobs {
			here := k.at(p)
			k.put(&q, here+far*(here-k.at(from)))
		}
		q.GainFail *= q.Kappa / p.Kappa
		q.GainPass *= q.Kappa / p.Kappa
		l := q.logLik(sample)
		if l-doubt(&q) <= top-doubt(p) {
			break
		}
		*p, top = q, l
	}
	return top
}

// climbFrom follows parabolas uphill from x, where f is here, with wider steps
// as long as the top lies at the edge of what was tried.
func climbFrom(f func(float64) float64, x, here, step float64) (best, top float64) {
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

// parabola goes to the top of the parabola through f at x−step, x and x+step,
// at most two steps away, and returns the best place it has seen and f there.
// mid is f at x.
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

// logLik is the log likelihood of what the machines showed.
func (p *Params) logLik(histories []History) float64 {
	sum := 0.0
	for _, h := range histories {
		m := NewMachine(h.Machine, p)
		for i := range h.Events {
			m.Take(&h.Events[i])
		}
		// Numbers are densities of ln meltback, not of the power it stands for.
		sum += m.logLik - float64(m.numbers)*math.Log(p.Kappa)
	}
	return sum
}

// likely picks the machines the likelihood is asked of, until there are about so
// many attempts: those that tell power in numbers before the others.
func likely(histories []History, enough int) (out []History) {
	asked := 0
	for _, telling := range []bool{true, false} {
		for _, h := range histories {
			attempts, numbers := h.attempts()
			if attempts == 0 || asked >= enough || (2*numbers >= attempts) != telling {
				continue
			}
			out = append(out, h)
			asked += attempts
		}
	}
	return out
}

// tellers are those of a sample that tell power in numbers. The filter follows the
// others by approximations that level and wear should not be fitted to: they tell
// of scatter only, unless there is hardly anyone else.
func tellers(sample []History) (out []History) {
	const hardlyAny = 200 // attempts
	asked := 0
	for _, h := range sample {
		if attempts, numbers := h.attempts(); 2*numbers >= attempts {
			out = append(out, h)
			asked += attempts
		}
	}
	if asked < hardlyAny {
		return sample
	}
	return out
}

// attempts counts those of a sample.
func attempts(sample []History) (n int) {
	for _, h := range sample {
		all, _ := h.attempts()
		n += all
	}
	return n
}

// attempts counts them, and those that tell power in numbers.
func (h *History) attempts() (all, numbers int) {
	for i := range h.Events {
		ev := &h.Events[i]
		if ev.Kind != Attempt {
			continue
		}
		all++
		if ev.Melt.Known() && ev.Setting.Known() {
			numbers++
		}
	}
	return all, numbers
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
