package model

import (
	"math"

	"arcdrift/drift/fit"
)

// The components of a machine's state.
const (
	level   = 0            // required power at reference air
	slope   = 1            // of the level, percent per 1000 arcs on the wear clock
	airAt   = 2            // effects of the air
	setting = 2 + airTerms // power setting in force
	offset  = setting + 1  // what the program in use needs beside the reference one
	states  = offset + 1
)

// multiples are the values the pair's multiple of the model's scatter curve can
// take: a grid in logarithms, fine enough that a pair between two of them is
// told by both.
const (
	multiples    = 9
	lowestLog    = -0.9
	multipleStep = 0.3
)

// ScatterScaleAt is the k-th multiple.
func ScatterScaleAt(k int) float64 { return math.Exp(lowestLog + multipleStep*float64(k)) }

// multipleSq are the squares of the grid.
var multipleSq = func() (out [multiples]float64) {
	for k := range out {
		out[k] = sq(ScatterScaleAt(k))
	}
	return out
}()

// filter is the joint distribution of a machine's state: for every multiple of
// the scatter a normal distribution and a weight.
type filter struct {
	weight [multiples]float64
	state  [multiples]fit.Normal
	// spare states to work in.
	spare, spare2 fit.Normal
	// trace, if there is one, notes the steps: see [Smoother].
	trace *trace
}

func newFilter() *filter { return newFilterOf(states) }

// newFilterOf makes room for states of n components.
func newFilterOf(n int) *filter {
	f := &filter{spare: fit.NewNormal(n), spare2: fit.NewNormal(n)}
	for k := range f.state {
		f.state[k] = fit.NewNormal(n)
	}
	return f
}

// clone copies the filter; nothing notes the steps of the copy.
func (f *filter) clone() *filter {
	c := newFilterOf(len(f.spare.Mean))
	c.weight = f.weight
	for k := range f.state {
		c.state[k].CopyFrom(&f.state[k])
	}
	return c
}

// start makes the distribution of a machine nobody has heard of.
func (f *filter) start(p *Params) {
	for k := range f.state {
		g := &f.state[k]
		for i := range airTerms {
			g.Reset(airAt+i, p.Air[i], 0)
		}
		for i, row := range p.AirCov {
			copy(g.Cov[(airAt+i)*states+airAt:], row[:])
		}
		g.Reset(setting, p.Level, sq(p.LevelSD)+settingDoubt)
	}
	f.newPair(p)
}

// settingDoubt is the variance of a setting nobody has told, beyond that of the
// level it follows.
const settingDoubt = 4.0

// newPair starts level, slope and multiple anew, as the population has them.
func (f *filter) newPair(p *Params) {
	if f.trace != nil {
		f.trace.pair(f)
	}
	for k := range f.state {
		g := &f.state[k]
		g.Reset(level, p.Level, sq(p.LevelSD))
		g.Reset(slope, p.Slope, sq(p.SlopeSD))
		if p.Resets > 0.5 {
			g.Reset(setting, 0, sq(roundingSD))
		}
	}
	f.weight = priorWeights(p.ScatterScaleSD)
}

// priorWeights are those of a new pair: ln multiple ~ N(0, sd²) on the grid.
func priorWeights(sd float64) (w [multiples]float64) {
	sum := 0.0
	for k := range w {
		z := (lowestLog + multipleStep*float64(k)) / max(sd, 0.05)
		w[k] = math.Exp(-z * z / 2)
		sum += w[k]
	}
	for k := range w {
		w[k] /= sum
	}
	return w
}

// stretch is the most arcs of a history that are reckoned in one go: in one a
// multiple moves a few steps only, and a pair may come with thousands. Of what no
// pair has burnt no more than mostStretches are made.
const (
	stretch       = 500.0
	mostStretches = 100
)

// advance lets the pair burn step arcs up to arcs.
func (f *filter) advance(p *Params, arcs, step float64) {
	stretch := max(stretch, step/mostStretches)
	for ; step > stretch; step -= stretch {
		f.burn(p, arcs-step+stretch, stretch)
	}
	if step > 0 {
		f.burn(p, arcs, step)
	}
}

// burn reckons a stretch of arcs: wear, random walk, dirt, and a multiple that is
// not quite constant.
func (f *filter) burn(p *Params, arcs, step float64) {
	wear := p.Wear(arcs) - p.Wear(arcs-step)
	for k := range f.state {
		row := [slope + 1]float64{level: 1, slope: WearAt(f.state[k].Mean[level], wear)}
		f.state[k].SetLinear(level, row[:])
		f.state[k].AddVariance(level, p.Walk*step/1000)
		f.state[k].AddVariance(slope, p.SlopeWalk*step/1000)
	}
	dirty := -math.Expm1(-p.DirtRate * step / 1000)
	// What is not soiled may stray, a third of it up and a third down at most.
	stray := min(p.ScatterScaleWalk*step/1000/sq(multipleStep)/2, (1-dirty)/3)
	if f.trace != nil {
		f.trace.change(f, p, dirty, stray)
	}
	f.stray(p, dirty, stray)
	if f.trace != nil {
		f.trace.begin(f)
	}
}

// mostSteps is how many steps of the grid dirt may raise the multiple by.
const mostSteps = 3

// stray moves multiples: with probability dirty contamination raises the level
// and, by one to three steps, the multiple; with probability stray each it goes
// one step up or down. Mixtures keep their mean and covariance.
func (f *filter) stray(p *Params, dirty, stray float64) {
	was := f.weight
	above := &f.spare // state k+1 as it was
	for k := multiples - 1; k >= 0; k-- {
		f.spare2.CopyFrom(&f.state[k])
		up := float64(min(mostSteps, multiples-1-k)) / mostSteps
		stays := 1 - dirty*up
		if k > 0 {
			stays -= stray
		}
		total := was[k] * stays
		if k < multiples-1 {
			total -= was[k] * stray
			f.mixIn(k, above, was[k+1]*stray, &total)
		}
		for from := k - 1; from >= max(0, k-mostSteps); from-- {
			// States below k are still as they were: the loop runs downwards.
			if from == k-1 {
				f.mixIn(k, &f.state[from], was[from]*stray, &total)
			}
			if s := f.mixIn(k, &f.state[from], was[from]*dirty/mostSteps, &total); s > 0 {
				f.state[k].Add(level, s*p.DirtStep())
				f.state[k].AddVariance(level, s*(2-s)*sq(p.DirtStep()))
			}
		}
		f.weight[k] = total
		above.CopyFrom(&f.spare2)
	}
}

// mixIn blends a state that comes with so much weight into state k, whose
// weight so far is total, and returns its share.
func (f *filter) mixIn(k int, from *fit.Normal, weight float64, total *float64) float64 {
	if weight == 0 {
		return 0
	}
	*total += weight
	share := weight / *total
	const negligible = 1e-3
	if share < negligible {
		return 0
	}
	f.state[k].Blend(from, share)
	return share
}

// clean lets the bench take off dirt: part of the level. What it takes off the
// scatter is in its age.
func (f *filter) clean(p *Params) {
	for k := range f.state {
		f.state[k].Add(level, -p.CleanLevel)
		f.state[k].AddVariance(level, sq(p.CleanLevelSD))
	}
}

// reweigh multiplies the weights by the likelihoods and returns the log of
// their mean: the likelihood of what was seen.
func (f *filter) reweigh(logLik *[multiples]float64) float64 {
	top := math.Inf(-1)
	for k, l := range logLik {
		if f.weight[k] > 0 {
			top = max(top, l)
		}
	}
	if math.IsInf(top, -1) {
		return top
	}
	sum := 0.0
	for k := range f.weight {
		f.weight[k] *= math.Exp(logLik[k] - top)
		sum += f.weight[k]
	}
	// No multiple is ever ruled out for good.
	const floor = 1e-6
	for k := range f.weight {
		f.weight[k] = (f.weight[k]/sum + floor) / (1 + multiples*floor)
	}
	return top + math.Log(sum)
}

// mean returns mean and variance of h·x over all multiples.
func (f *filter) mean(h []float64) (m, v float64) {
	var second float64
	for k, w := range f.weight {
		mk, vk := f.state[k].Predict(h)
		m += w * mk
		second += w * (vk + mk*mk)
	}
	return m, max(second-m*m, 0)
}

// offsets says whether the program in use has an offset, known or not.
func (f *filter) offsets() bool {
	for k := range f.state {
		g := &f.state[k]
		for i := range states {
			if g.Mean[offset] != 0 || g.Cov[offset*states+i] != 0 || g.Cov[i*states+offset] != 0 {
				return true
			}
		}
	}
	return false
}

// mean1 is the mean of a component over all multiples.
func (f *filter) mean1(i int) (m float64) {
	for k, w := range f.weight {
		m += w * f.state[k].Mean[i]
	}
	return m
}

func sq(x float64) float64 { return x * x }

// air returns the joint distribution of the air's effects over all multiples.
func (f *filter) air() fit.Normal {
	sum, total := f.state[0].Clone(), f.weight[0]
	for k := 1; k < multiples; k++ {
		total += f.weight[k]
		sum.Blend(&f.state[k], f.weight[k]/total)
	}
	out := fit.NewNormal(airTerms)
	copy(out.Mean, sum.Mean[airAt:])
	for i := range airTerms {
		copy(out.Cov[i*airTerms:(i+1)*airTerms], sum.Cov[(airAt+i)*states+airAt:])
	}
	return out
}

// airPrior is that distribution for a machine not heard of yet.
func (p *Params) airPrior() fit.Normal {
	out := fit.NewNormal(airTerms)
	copy(out.Mean, p.Air[:])
	for i, row := range p.AirCov {
		copy(out.Cov[i*airTerms:], row[:])
	}
	return out
}
