package model

import (
	"math"

	"arcdrift/drift/fit"
)

// The components of a machine's state.
const (
	level   = 0            // required power at reference air
	slope   = 1            // of the level, percent per 1000 arcs on the wear clock
	airAt   = 2            // effects of the air, airTerms of them
	setting = 2 + airTerms // power setting in force
	offset  = setting + 1  // required power of the program in use minus that of the reference one
	states  = offset + 1
)

// The scatter scale of a pair multiplies the model's scatter curve. It takes the values
// of a grid in logarithms, fine enough for a pair between two of them.
const (
	scatterScales = 9
	lowestScale   = -0.9
	scaleStep     = 0.3
)

// ScatterScaleAt returns the k-th scatter scale of the grid, k from 0 to 8.
func ScatterScaleAt(k int) float64 { return math.Exp(lowestScale + scaleStep*float64(k)) }

// scatterScaleSq has the squares of the grid.
var scatterScaleSq = func() (out [scatterScales]float64) {
	for k := range out {
		out[k] = sq(ScatterScaleAt(k))
	}
	return out
}()

// filter is the joint distribution of a machine's state: for each scatter scale a normal
// distribution and a weight. The weights sum to 1.
type filter struct {
	weight [scatterScales]float64
	state  [scatterScales]fit.Normal
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

// start sets the distribution of a machine without records.
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

// settingDoubt is the variance of an unreported setting, in squared log percent, beyond
// that of the level that it follows.
const settingDoubt = 4.0

// newPair resets level, slope and scatter scale to the population's. The setting stays, or
// returns to nominal.
func (f *filter) newPair(p *Params) {
	if f.trace != nil {
		f.trace.pair(f)
	}
	for k := range f.state {
		g := &f.state[k]
		g.Reset(level, p.Level, sq(p.LevelSD))
		g.Reset(slope, p.Slope, sq(p.SlopeSD))
		f.spare.CopyFrom(g)
		f.spare.Reset(setting, 0, sq(roundingSD))
		g.Blend(&f.spare, p.Resets)
	}
	f.weight = priorWeights(p.ScatterScaleSD)
}

// priorWeights are those of a new pair: ln(scatter scale) ~ N(0, sd²) on the grid.
func priorWeights(sd float64) (w [scatterScales]float64) {
	sum := 0.0
	for k := range w {
		z := (lowestScale + scaleStep*float64(k)) / max(sd, 0.05)
		w[k] = math.Exp(-z * z / 2)
		sum += w[k]
	}
	for k := range w {
		w[k] /= sum
	}
	return w
}

// stretch is the most arcs that one step of the filter covers: in one step a scatter
// scale moves a few places of the grid only. Counts that no pair reaches are covered in
// mostStretches steps.
const (
	stretch       = 500.0
	mostStretches = 100
)

// advance moves the state on by step arcs, to arcs on the pair.
func (f *filter) advance(p *Params, arcs, step float64) {
	stretch := max(stretch, step/mostStretches)
	for ; step > stretch; step -= stretch {
		f.advanceOnce(p, arcs-step+stretch, stretch)
	}
	if step > 0 {
		f.advanceOnce(p, arcs, step)
	}
}

// advanceOnce moves the state on by one stretch: wear, random walks, contamination, and
// the random walk of the scatter scale.
func (f *filter) advanceOnce(p *Params, arcs, step float64) {
	wear := p.Wear(arcs) - p.Wear(arcs-step)
	for k := range f.state {
		row := [slope + 1]float64{level: 1, slope: WearAt(f.state[k].Mean[level], wear)}
		f.state[k].SetLinear(level, row[:])
		f.state[k].AddVariance(level, p.Walk*step/1000)
		f.state[k].AddVariance(slope, p.SlopeWalk*step/1000)
	}
	dirty := -math.Expm1(-p.DirtRate * step / 1000)
	// Without contamination at most a third moves up and a third down.
	shift := min(p.ScatterScaleWalk*step/1000/sq(scaleStep)/2, (1-dirty)/3)
	if f.trace != nil {
		f.trace.change(f, p, dirty, shift)
	}
	f.transition(p, dirty, shift)
	if f.trace != nil {
		f.trace.begin(f)
	}
}

// mostSteps is the most places of the grid by which contamination raises the scale.
const mostSteps = 3

// transition changes scatter scales. With probability dirty contamination raises the
// level, and the scale by one to three places; with probability shift each the scale
// moves one place up or down. Mixtures keep their mean and covariance.
func (f *filter) transition(p *Params, dirty, shift float64) {
	was := f.weight
	above := &f.spare // state k+1 as it was
	for k := scatterScales - 1; k >= 0; k-- {
		f.spare2.CopyFrom(&f.state[k])
		up := float64(min(mostSteps, scatterScales-1-k)) / mostSteps
		stays := 1 - dirty*up
		if k > 0 {
			stays -= shift
		}
		total := was[k] * stays
		if k < scatterScales-1 {
			total -= was[k] * shift
			f.mixIn(k, above, was[k+1]*shift, &total)
		}
		for from := k - 1; from >= max(0, k-mostSteps); from-- {
			// States below k are still as they were: the loop runs downwards.
			if from == k-1 {
				f.mixIn(k, &f.state[from], was[from]*shift, &total)
			}
			if s := f.mixIn(k, &f.state[from], was[from]*dirty/mostSteps, &total); s > 0 {
				f.state[k].Add(level, s*p.DirtStep())
				f.state[k].AddVariance(level, s*(2-s)*sq(p.DirtStep()))
			}
		}
		f.weight[k] = total
		*above, f.spare2 = f.spare2, *above
	}
}

// mixIn blends a state of the given weight into state k, whose weight so far is total,
// and returns the share of the former.
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

// clean lowers the level for a clean. The scatter is lowered through its age.
func (f *filter) clean(p *Params) {
	for k := range f.state {
		f.state[k].Add(level, -p.CleanLevel)
		f.state[k].AddVariance(level, sq(p.CleanLevelSD))
	}
}

// reweigh multiplies the weights by the likelihoods and returns the log of their mean:
// the log likelihood of the observation.
func (f *filter) reweigh(logLik *[scatterScales]float64) float64 {
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
	// No scale is ever ruled out.
	const floor = 1e-6
	for k := range f.weight {
		f.weight[k] = (f.weight[k]/sum + floor) / (1 + scatterScales*floor)
	}
	return top + math.Log(sum)
}

// mean returns mean and variance of h·x over all scatter scales.
func (f *filter) mean(h []float64) (m, v float64) {
	var second float64
	for k, w := range f.weight {
		mk, vk := f.state[k].Predict(h)
		m += w * mk
		second += w * (vk + mk*mk)
	}
	return m, max(second-m*m, 0)
}

// offsets says whether the offset of the program in use is other than exactly 0.
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

// mean1 returns the mean of a component over all scatter scales.
func (f *filter) mean1(i int) (m float64) {
	for k, w := range f.weight {
		m += w * f.state[k].Mean[i]
	}
	return m
}

func sq(x float64) float64 { return x * x }

// air returns the joint distribution of the effects of the air over all scatter scales.
func (f *filter) air() fit.Normal {
	sum, total := f.state[0].Clone(), f.weight[0]
	for k := 1; k < scatterScales; k++ {
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

// airPrior returns that distribution for a machine without records.
func (p *Params) airPrior() fit.Normal {
	out := fit.NewNormal(airTerms)
	copy(out.Mean, p.Air[:])
	for i, row := range p.AirCov {
		copy(out.Cov[i*airTerms:], row[:])
	}
	return out
}
