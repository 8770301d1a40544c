package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/optimize"
)

// TrendFit is the maximum likelihood estimate of a trend, with k regressors.
type TrendFit struct {
	Trend
	Beta    []float64 // k coefficients of the regressors
	BetaVar []float64 // k variances of them, given the variances of the trend
	LogLik  float64   // as [Trend.LogLik] counts it: n − d terms
	N       int       // number of measured points
}

// FitTrend fits a trend, with or without a slope, by maximum likelihood. Scale
// and β are concentrated out, so that the search is over one or two ratios of
// variances. Variances may come out as exactly 0.
func FitTrend(s Series, sloped bool) (TrendFit, error) {
	m := Trend{Sloped: sloped}
	p, err := s.measured(m.diffuse())
	if err != nil {
		return TrendFit{}, err
	}
	c := concentrated{points: p, sweep: newSweep(p.width), sloped: sloped}
	for _, d := range p.step {
		c.unit += d / float64(len(p.step)-1)
	}
	if c.unit == 0 {
		return TrendFit{}, errors.New("all points have the same time: a trend needs two times")
	}
	best, err := c.search()
	if err != nil {
		return TrendFit{}, err
	}
	return c.at(best)
}

// concentrated is the likelihood as a function of ratios of variances, scale and β
// concentrated out.
type concentrated struct {
	points points
	sweep  *sweep
	sloped bool
	unit   float64 // mean step, which makes the ratios dimensionless
}

// trend makes a trend of unknown scale from the shares of noise, level and slope.
func (c *concentrated) trend(noise, level, slope float64) Trend {
	return Trend{Noise: noise, Level: level / c.unit, Slope: slope / (c.unit * c.unit * c.unit), Sloped: c.sloped}
}

// widest bounds the logarithm of a ratio: beyond it a variance is 0 in effect.
const widest = 30

// ratios is trend for x = ln(level/noise), ln(slope/noise).
func (c *concentrated) ratios(x []float64) Trend {
	slope := 0.0
	if c.sloped {
		slope = math.Exp(min(max(x[1], -widest), widest))
	}
	return c.trend(1, math.Exp(min(max(x[0], -widest), widest)), slope)
}

// logLik is the likelihood at the best scale and β; −Inf where there is none.
func (c *concentrated) logLik(m Trend) float64 {
	c.sweep.run(m, &c.points)
	_, _, left, err := c.sweep.regress(c.points.width)
	n := float64(c.sweep.used)
	l := -0.5 * (n*(ln2Pi+1+math.Log(left/n)) + c.sweep.logF)
	if err != nil || math.IsNaN(l) {
		return math.Inf(-1)
	}
	return l
}

// at estimates scale and β of a trend given up to its scale.
func (c *concentrated) at(m Trend) (TrendFit, error) {
	logLik := c.logLik(m)
	beta, cov, left, err := c.sweep.regress(c.points.width)
	if err != nil {
		return TrendFit{}, err
	}
	scale := left / float64(c.sweep.used)
	m.Noise, m.Level, m.Slope = m.Noise*scale, m.Level*scale, m.Slope*scale
	f := TrendFit{Trend: m, Beta: beta, LogLik: logLik, N: len(c.points.step)}
	for i := range beta {
		f.BetaVar = append(f.BetaVar, scale*cov.At(i, i))
	}
	return f, nil
}

// search evaluates a coarse grid, maximises from its best points, and then tries each
// variance at exactly 0.
func (c *concentrated) search() (Trend, error) {
	starts, top := c.scan()
	if math.IsInf(top, 1) {
		return Trend{}, errors.New("the series lies exactly on a line: it has no noise to estimate variances from")
	}
	if math.IsInf(top, -1) {
		_, err := c.at(c.ratios(starts[0]))
		return Trend{}, errors.Join(errors.New("no variances of a trend can explain this series"), err)
	}
	var best []float64
	top = math.Inf(-1)
	for _, start := range starts {
		x, l, err := c.ascend(start)
		if err != nil {
			return Trend{}, err
		}
		if l > top {
			best, top = x, l
		}
	}
	return c.drop(c.ratios(best), top), nil
}

// ascend maximises the likelihood from x by the simplex of Nelder & Mead (1965), Comput.
// J. 7:308. Where it ends with a slope it starts again: the simplex can collapse.
func (c *concentrated) ascend(x []float64) (at []float64, top float64, err error) {
	problem := optimize.Problem{Func: func(x []float64) float64 { return -c.logLik(c.ratios(x)) }}
	settings := &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-10, Iterations: 8}}
	top = math.Inf(-1)
	for range 3 {
		r, err := optimize.Minimize(problem, x, settings, &optimize.NelderMead{SimplexSize: 1})
		if err != nil {
			return nil, 0, errors.Join(errors.New("the search for the variances of a trend failed"), err)
		}
		gain := -r.F - top
		x, top = r.X, -r.F
		if gain < 1e-9 || c.flat(x) {
			break
		}
	}
	return x, top, nil
}

// scan returns the local maxima of a coarse grid that come within reach of the best
// point, and the likelihood of that: the likelihood may have one maximum where the level
// varies and another where the slope does.
func (c *concentrated) scan() (starts [][]float64, top float64) {
	const (
		step  = 4.0
		reach = 4.0 // in log-likelihood, below the best
	)
	levels, slopes := []float64{-12, -8, -4, 0, 4, 8}, []float64{0}
	if c.sloped {
		slopes = []float64{-16, -12, -8, -4, 0, 4, 8}
	}
	grid := make([]float64, len(levels)*len(slopes))
	top = math.Inf(-1)
	for k := range grid {
		grid[k] = c.logLik(c.ratios([]float64{levels[k/len(slopes)], slopes[k%len(slopes)]}))
		top = max(top, grid[k])
	}
	for k, l := range grid {
		i, j := k/len(slopes), k%len(slopes)
		tops := l > top-reach || math.IsInf(top, -1)
		for a := max(i-1, 0); a <= min(i+1, len(levels)-1); a++ {
			for b := max(j-1, 0); b <= min(j+1, len(slopes)-1); b++ {
				tops = tops && l >= grid[a*len(slopes)+b]
			}
		}
		if tops {
			starts = append(starts, []float64{levels[i], slopes[j]}[:c.terms()])
		}
	}
	return starts, top
}

// terms is the number of ratios that are searched.
func (c *concentrated) terms() int { return Trend{Sloped: c.sloped}.diffuse() }

// flat says whether the gradient of the likelihood is below 1e-4 in every direction.
func (c *concentrated) flat(x []float64) bool {
	const h = 1e-4
	for i := range x {
		up, down := append([]float64(nil), x...), append([]float64(nil), x...)
		up[i] += h
		down[i] -= h
		if math.Abs(c.logLik(c.ratios(up))-c.logLik(c.ratios(down))) > 1e-4*2*h {
			return false
		}
	}
	return true
}

// drop sets to 0 each variance without which the series is as likely.
func (c *concentrated) drop(m Trend, top float64) Trend {
	const asLikely = 1e-7
	for _, without := range []func(Trend) Trend{
		func(m Trend) Trend { m.Slope = 0; return m },
		func(m Trend) Trend { m.Level = 0; return m },
		func(m Trend) Trend { m.Noise = 0; return m },
	} {
		less := without(m)
		if less == m || less.Noise+less.Level+less.Slope == 0 {
			continue
		}
		if l := c.logLik(less); l > top-asLikely {
			m, top = less, max(l, top)
		}
	}
	return m
}
