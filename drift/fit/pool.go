package fit

import (
	"errors"
	"fmt"
	"math"
)

// Prior is the prior distribution of a population of units that are measured in u. The
// zero value is no prior.
type Prior struct {
	Mean    float64 // prior mean of the population's mean, in u
	MeanVar float64 // its prior variance, in u²; 0 for no prior of the mean
	Tau     float64 // mode of the standard deviation between units (Rayleigh density), in u; 0 for no prior of it
}

// Pooled is the estimate of a population of n units, and with it of each unit.
type Pooled struct {
	Mean, MeanVar float64   // mean of the population, and the variance of that estimate
	Between       float64   // τ², the variance between units
	Values, Vars  []float64 // n shrunken estimates, and their variances
	LogLik        float64   // restricted log-likelihood, plus the log density of the prior if there is one
}

// New returns mean and variance of a unit that has no data.
func (p Pooled) New() (mean, variance float64) { return p.Mean, p.Between + p.MeanVar }

// Pool takes estimates b (n) of the same quantity for n units, with known sampling
// variances v (n), and estimates the population that they are drawn from:
//
//	b_i ~ N(θ_i, v_i),  θ_i ~ N(mean, τ²).
//
// τ² maximises the restricted likelihood (mean integrated out), times the prior;
// without a prior it may come out as 0. The shrunken θ_i and their variances
// take τ² as known and the mean as estimated. An infinite v_i is a unit without data.
// With a full prior no units are needed.
// Source: Morris (1983), J. Am. Stat. Assoc. 78:47; the prior that keeps τ off 0
// follows Chung et al. (2013), Psychometrika 78:685.
func Pool(b, v []float64, prior Prior) (Pooled, error) {
	if err := prior.check(); err != nil {
		return Pooled{}, err
	}
	if len(b) != len(v) {
		return Pooled{}, fmt.Errorf("the numbers of estimates and of variances must be equal, not %d and %d", len(b), len(v))
	}
	known := 0
	for i := range b {
		if math.IsNaN(b[i]) || math.IsInf(b[i], 0) || !(v[i] > 0) {
			return Pooled{}, fmt.Errorf("estimate %d, %g with variance %g, must be a finite number with a variance above 0", i+1, b[i], v[i])
		}
		if !math.IsInf(v[i], 1) {
			known++
		}
	}
	if known == 0 && prior.MeanVar == 0 {
		return Pooled{}, errors.New("the mean of a population needs an estimate or a prior")
	}
	if known < 2 && prior.Tau == 0 {
		return Pooled{}, errors.New("the variance between units needs two estimates or a prior")
	}
	tau := prior.likeliest(b, v)
	mean, meanVar, logLik := prior.population(b, v, tau*tau)
	p := Pooled{Mean: mean, MeanVar: meanVar, Between: tau * tau, LogLik: logLik}
	p.Values, p.Vars = make([]float64, len(b)), make([]float64, len(b))
	for i := range b {
		toMean := 1.0
		if !math.IsInf(v[i], 1) {
			toMean = v[i] / (v[i] + p.Between)
		}
		p.Values[i] = b[i] + toMean*(mean-b[i])
		p.Vars[i] = toMean*p.Between + toMean*toMean*meanVar
	}
	return p, nil
}

func (p Prior) check() error {
	if !(p.MeanVar >= 0) || !(p.Tau >= 0) || math.IsNaN(p.Mean-p.Mean) || math.IsInf(p.MeanVar+p.Tau, 1) {
		return errors.New("a prior needs a finite mean, and variances of 0 or more")
	}
	return nil
}

// population returns the mean given τ², its variance, and the restricted
// log-likelihood with the prior.
func (p Prior) population(b, v []float64, between float64) (mean, meanVar, logLik float64) {
	var w, wb float64
	if p.MeanVar > 0 {
		w = 1 / p.MeanVar
		wb = p.Mean * w
		logLik = -0.5 * (ln2Pi + math.Log(p.MeanVar))
	}
	for i := range b {
		wi := 1 / (v[i] + between)
		w += wi
		wb += wi * b[i]
	}
	mean, meanVar = wb/w, 1/w
	if p.MeanVar > 0 {
		d := p.Mean - mean
		logLik -= d * d / p.MeanVar / 2
	}
	for i := range b {
		if !math.IsInf(v[i], 1) {
			logLik += logDensity(b[i], mean, v[i]+between)
		}
	}
	logLik += 0.5 * (ln2Pi + math.Log(meanVar))
	if p.Tau > 0 {
		// Rayleigh's density of τ, with its mode at Tau.
		r := between / (p.Tau * p.Tau)
		logLik += math.Log(r)/2 - math.Log(p.Tau) - r/2
	}
	return mean, meanVar, logLik
}

// likeliest returns the τ of greatest likelihood: 0, or the best of a scan over nine
// decades, refined.
func (p Prior) likeliest(b, v []float64) float64 {
	scale, lo := p.Tau, math.Inf(1)
	low, high := math.Inf(1), math.Inf(-1)
	for i := range b {
		if !math.IsInf(v[i], 1) {
			low, high = min(low, b[i]), max(high, b[i])
			lo = min(lo, math.Sqrt(v[i]))
		}
	}
	if high > low {
		scale = max(scale, high-low)
	}
	if scale == 0 {
		return 0
	}
	if p.Tau > 0 {
		lo = min(lo, p.Tau)
	}
	f := func(logTau float64) float64 {
		_, _, l := p.population(b, v, math.Exp(2*logTau))
		return l
	}
	logTau := maximize(f, math.Log(min(lo, scale)*1e-4), math.Log(10*scale))
	if _, _, none := p.population(b, v, 0); none >= f(logTau) {
		return 0
	}
	return math.Exp(logTau)
}

// maximize returns where f is greatest between lo and hi: the best of a scan, then
// golden-section search between its neighbours (Kiefer 1953, Proc. Am. Math. Soc.
// 4:502; from memory).
func maximize(f func(float64) float64, lo, hi float64) float64 {
	const scan = 60
	step := (hi - lo) / scan
	at, top := lo, math.Inf(-1)
	for i := range scan + 1 {
		x := lo + float64(i)*step
		if y := f(x); y > top {
			at, top = x, y
		}
	}
	a, b := max(at-step, lo), min(at+step, hi)
	const golden = 0.6180339887498949
	x1, x2 := b-golden*(b-a), a+golden*(b-a)
	y1, y2 := f(x1), f(x2)
	for b-a > 1e-9 {
		if y1 > y2 {
			b, x2, y2 = x2, x1, y1
			x1 = b - golden*(b-a)
			y1 = f(x1)
		} else {
			a, x1, y1 = x1, x2, y2
			x2 = a + golden*(b-a)
			y2 = f(x2)
		}
	}
	return (a + b) / 2
}
