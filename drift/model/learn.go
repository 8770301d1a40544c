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
// believed of its like.
func learnKind(start Params, histories []History, stages []stage) Params {
	p := &start
	p.told(histories)
	p.programs(histories)
	p.policy(histories)
	p.follow(histories)
	prior := *p
	if !slices.ContainsFunc(histories, History.attempted) {
		p.effects(&prior, histories)
		return *p
	}
	few := likely(histories, stages[0].attempts)
	p.rough(histories, few)
	prior.Scatter = p.Scatter
	knobs := p.knobs(histories)
	for _, stage := range stages {
		sample := likely(histories, stage.attempts)
		before := math.Inf(-1)
		for range stage.rounds {
			p.effects(&prior, histories)
			from := *p
			top := p.climb(&prior, sample, knobs)
			top = p.straighten(p.stride(&prior, &from, top, sample, knobs), sample)
			if top < before+settledGain {
				break
			}
			before = top
		}
	}
	p.doubtCurve(&prior, few, knobs)
	return *p
}

// attempted says whether the history tells of an attempt: counts and services alone
// fit any values, and searching for the likeliest would be for nothing.
func (h History) attempted() bool {
	return slices.ContainsFunc(h.Events, func(ev Event) bool { return ev.Kind == Attempt })
}

// settledGain ends a stage: a round that wins less in log likelihood wins what a
// parameter wins by chance.
const settledGain = 0.5

// doubtCurve says how well the course of the scatter is known, by the curvature
// of the likelihood in its three values; where that says nothing, as before.
func (p *Params) doubtCurve(prior *Params, sample []History, knobs []knob) {
	if len(sample) == 0 {
		return
	}
	curve := knobs[:3] // scatter, its arcs, its bend
	x, steps := make([]float64, len(curve)), make([]float64, len(curve))
	for i, k := range curve {
		x[i], steps[i] = math.Log(*k.of(p)), k.step
	}
	around, err := fit.Laplace(func(x []float64) float64 {
		q := *p
		doubt := 0.0
		for i, k := range curve {
			*k.of(&q) = math.Exp(x[i])
			doubt += k.doubt(prior, x[i])
		}
		return q.logLik(sample) - doubt
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

// straighten takes wear for straight unless the data insist: by the Bayesian
// information criterion (Schwarz 1978, Ann. Stat. 6:461) a bend must win half
// the logarithm of the number of attempts. top is the log likelihood now; that
// after is returned.
func (p *Params) straighten(top float64, sample []History) float64 {
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

// told takes what the records say outright: the values aimed at.
func (p *Params) told(histories []History) {
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
	// The search goes on in logarithms: nothing may be 0, though results that never
	// differ say so.
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
// value after the other, by parabolas in its logarithm. It returns the top
// reached.
func (p *Params) climb(prior *Params, sample []History, knobs []knob) float64 {
	here := p.logLik(sample)
	if len(sample) == 0 {
		return here
	}
	for _, k := range knobs {
		x := math.Log(*k.of(p))
		at := func(x float64) float64 {
			q := *p
			q.set(k.of, math.Exp(x))
			return q.logLik(sample) - k.doubt(prior, x)
		}
		here -= k.doubt(prior, x)
		best, top := climbFrom(at, x, here, k.step)
		if best = min(max(best, math.Log(k.lowest)), math.Log(k.highest)); best != x {
			p.set(k.of, math.Exp(best))
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
	if len(sample) == 0 {
		return top
	}
	doubt := func(q *Params) (sum float64) {
		for _, k := range knobs {
			sum += k.doubt(prior, math.Log(*k.of(q)))
		}
		return sum
	}
	for far := 1.0; far <= 4; far *= 2 {
		q := *p
		for _, k := range knobs {
			here := math.Log(*k.of(p))
			to := here + far*(here-math.Log(*k.of(from)))
			*k.of(&q) = math.Exp(min(max(to, math.Log(k.lowest)), math.Log(k.highest)))
		}
		q.rescale(p.Kappa)
		l := q.logLik(sample)
		if l-doubt(&q) <= top-doubt(p) {
			break
		}
		*p, top = q, l
	}
	return top
}

// knob is a value that climb turns: in logarithms, its prior's standard
// deviation and the step of the search; and where it has to stay.
type knob struct {
	of              func(*Params) *float64
	sd, step        float64
	lowest, highest float64
}

// knobs lists the values that these histories can tell. κ is left alone where
// hardly any attempt was off the target: such data fit any κ.
func (p *Params) knobs(histories []History) []knob {
	off := 0
	for _, h := range histories {
		for i := range h.Events {
			if math.Abs(h.Events[i].Melt.Or(0)) >= farOff {
				off++
			}
		}
	}
	all := []knob{
		{func(p *Params) *float64 { return &p.Scatter }, 1.5, 0.1, 0.01, 20},
		{func(p *Params) *float64 { return &p.ScatterArcs }, 0.7, 0.25, 200, 30000},
		{func(p *Params) *float64 { return &p.ScatterExponent }, 0.5, 0.25, 0.5, 8},
		{func(p *Params) *float64 { return &p.Walk }, 1.5, 0.7, 1e-4, 20},
		{func(p *Params) *float64 { return &p.SlopeWalk }, 1, 0.7, 1e-4, 20},
		{func(p *Params) *float64 { return &p.WearExponent }, 0.25, 0.2, 0.4, 4},
		{func(p *Params) *float64 { return &p.DirtRate }, 1.2, 0.7, 1e-3, 3},
		{func(p *Params) *float64 { return &p.DirtLevel }, 0.7, 0.4, 0.05, 20},
		{func(p *Params) *float64 { return &p.ScatterScaleSD }, 0.5, 0.3, 0.05, 1},
		{func(p *Params) *float64 { return &p.ScatterScaleWalk }, 1, 0.7, 1e-4, 1},
		{func(p *Params) *float64 { return &p.CleanScatter }, 0.4, 0.2, 0.02, 0.95},
	}
	if off >= enough {
		all = append(all, knob{func(p *Params) *float64 { return &p.Kappa }, 0.25, 0.08, 0.3, 10})
	}
	return all
}

// doubt is what the prior, log normal about what was believed, holds against x.
func (k *knob) doubt(prior *Params, x float64) float64 {
	return sq((x-math.Log(*k.of(prior)))/k.sd) / 2
}

// set changes one value; what was learnt on the scale of another goes with it.
func (p *Params) set(of func(*Params) *float64, to float64) {
	kappa := p.Kappa
	*of(p) = to
	if p.Kappa != kappa {
		p.rescale(kappa)
		p.Scatter *= kappa / p.Kappa
	}
}

// rescale turns what was learnt per ln meltback under another κ into what it is
// under this one.
func (p *Params) rescale(kappa float64) {
	p.GainFail *= p.Kappa / kappa
	p.GainPass *= p.Kappa / kappa
	p.DeadBand *= kappa / p.Kappa
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
			m.Update(&h.Events[i])
		}
		sum += m.logLik
	}
	return sum
}

// likely picks the machines the likelihood is asked of: those that tell numbers,
// if there are any, until there are about so many attempts.
func likely(histories []History, enough int) []History {
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
