package fit

import (
	"errors"
	"fmt"
	"math"
)

// Prior says what is thought of a population before its units are seen. The
// zero value says nothing.
type Prior struct {
	Mean    float64 // of the population
	MeanVar float64 // how uncertain that mean is, as a variance; 0: nothing is known
	Tau     float64 // likeliest standard deviation between units (Rayleigh's density); 0: nothing is known
}

// Pooled is a population of units and what it tells of each of them.
type Pooled struct {
	Mean, MeanVar float64   // of the population, and its uncertainty
	Between       float64   // τ², the variance between units
	Values, Vars  []float64 // shrunken estimate and variance for each unit
	LogLik        float64   // restricted log-likelihood, plus the log density of the prior if there is one
}

// New returns the mean and the variance of a unit not seen yet.
func (p Pooled) New() (mean, variance float64) { return p.Mean, p.Between + p.MeanVar }

// Pool takes estimates b of the same quantity for several units, with known
// sampling variances v, and estimates the population they are drawn from:
//
//	b_i ~ N(θ_i, v_i),  θ_i ~ N(mean, τ²).
//
// τ² maximises the restricted likelihood (mean integrated out), times the prior;
// without a prior it may come out as 0. The shrunken θ_i and their variances
// take τ² as known and the mean as estimated. An infinite v_i is a unit of which
// nothing is known. With a full prior no units are needed.
// Source: Morris (1983), J. Am. Stat. Assoc. 78:47; the prior that keeps τ off 0
// follows Chung et al. (2013), Psychometrika 78:685.
func Pool(b, v []float64, prior Prior) (Pooled, error) {
	if err := prior.check(); err != nil {
		return Pooled{}, err
	}
	if len(b) != len(v) {
		return Pooled{}, fmt.Errorf("%d estimates do not fit %d variances", len(b), len(v))
	}
	known := 0
	for i := range b {
		if math.IsNaN(b[i]) || math.IsInf(b[i], 0) || !(v[i] > 0) {
			return Pooled{}, fmt.Errorf("estimate %d, %g with variance %g, is not a number with a variance above 0", i+1, b[i], v[i])
		}
		if !math.IsInf(v[i], 1) {
			known++
		}
	}
	if known == 0 && prior.MeanVar == 0 {
		return Pooled{}, errors.New("without any estimate and without a prior mean there is no population")
	}
	if known < 2 && prior.Tau == 0 {
		return Pooled{}, errors.New("the spread between units takes two units or a prior")
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
		return errors.New("a prior needs a mean that is a number, and spreads from 0 up")
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

// likeliest returns the τ of greatest likelihood: the best of a scan over nine
// decades, then refined, or 0.
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
	logTau := climb(f, math.Log(min(lo, scale)*1e-4), math.Log(10*scale))
	if _, _, none := p.population(b, v, 0); none >= f(logTau) {
		return 0
	}
	return math.Exp(logTau)
}

// climb returns where f is greatest between lo and hi: the best of a scan, then
// golden section between its neighbours.
func climb(f func(float64) float64, lo, hi float64) float64 {
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
