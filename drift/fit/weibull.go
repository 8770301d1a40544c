package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Weibull is a distribution of lifetimes: P(life > t) = exp(−(t/Scale)^Shape). Scale is
// in the unit of the lives, Shape has none; both are above 0. With a Shape above 1 the
// hazard rises with age.
type Weibull struct {
	Shape, Scale float64
}

// Survival returns the share of lives longer than an age.
func (d Weibull) Survival(age float64) float64 {
	return math.Exp(-math.Pow(max(age, 0)/d.Scale, d.Shape))
}

// Quantile returns the age before which the share p of the lives ends.
func (d Weibull) Quantile(p float64) float64 { return d.Residual(0, p) }

// Residual returns the p-quantile of the remaining life at an age: the time within
// which the share p of the lives that reach the age ends.
func (d Weibull) Residual(age, p float64) float64 {
	age = max(age, 0)
	spent := math.Pow(age/d.Scale, d.Shape)
	return d.Scale*math.Pow(spent-math.Log1p(-p), 1/d.Shape) - age
}

// WeibullFit is the maximum likelihood estimate of a Weibull distribution.
type WeibullFit struct {
	Weibull
	LogLik float64
	// LogCov is the 2×2 covariance of ln Scale and ln(1/Shape), row by row, from the
	// observed information.
	LogCov [4]float64
}

// FitWeibull estimates a Weibull distribution from right-censored and left-truncated
// lives by maximum likelihood. It needs lives that ended at two different ages: one age
// does not determine the shape.
// Source: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.2.
func FitWeibull(lives []Life) (WeibullFit, error) {
	if err := checkLives(lives); err != nil {
		return WeibullFit{}, err
	}
	var ends, sumLog, longest float64
	first, several := 0.0, false
	for _, l := range lives {
		longest = max(longest, l.Length)
		if !l.Ended {
			continue
		}
		several = several || first > 0 && l.Length != first
		first = l.Length
		ends += l.weight()
		sumLog += l.weight() * math.Log(l.Length)
	}
	if !several {
		return WeibullFit{}, errors.New("a Weibull distribution needs lives that ended at two different ages")
	}
	// At a given shape the best scale has a closed form; lengths are taken
	// relative to the longest so that no power overflows.
	exposure := func(shape float64) float64 {
		var sum float64
		for _, l := range lives {
			sum += l.weight() * (math.Pow(l.Length/longest, shape) - math.Pow(l.From/longest, shape))
		}
		return sum / ends
	}
	profile := func(logShape float64) float64 {
		shape := math.Exp(logShape)
		return ends*(logShape-math.Log(exposure(shape))-shape*math.Log(longest)-1) + (shape-1)*sumLog
	}
	const widestShape = 7 // ln of a thousand: ends all but at one age
	logShape := maximize(profile, -widestShape, widestShape)
	shape := math.Exp(logShape)
	f := WeibullFit{LogLik: profile(logShape)}
	f.Shape, f.Scale = shape, longest*math.Pow(exposure(shape), 1/shape)
	return f, f.inform(lives)
}

// inform computes LogCov. With z = (ln t − ln Scale)·Shape the log-likelihood of a life
// is d·(z + ln Shape − ln t) − e^z + e^z₀, d = 1 for one that ended, z₀ for the age from
// which it was observed.
func (f *WeibullFit) inform(lives []Life) error {
	info := mat.NewSymDense(2, nil)
	add := func(w, d, age, sign float64) {
		if age == 0 {
			return
		}
		z := f.Shape * math.Log(age/f.Scale)
		e := sign * math.Exp(z)
		// Second derivatives by ln Scale and by ln(1/Shape), with dz = −Shape and −z.
		info.SetSym(0, 0, info.At(0, 0)+w*f.Shape*f.Shape*e)
		info.SetSym(0, 1, info.At(0, 1)+w*f.Shape*((1+z)*e-d))
		info.SetSym(1, 1, info.At(1, 1)+w*(z*(1+z)*e-d*z))
	}
	for _, l := range lives {
		d := 0.0
		if l.Ended {
			d = 1
		}
		add(l.weight(), d, l.Length, 1)
		add(l.weight(), 0, l.From, -1)
	}
	var chol mat.Cholesky
	cov := mat.NewSymDense(2, nil)
	if !chol.Factorize(info) {
		return errors.New("no Weibull distribution fits these lives: the likelihood has no clear maximum")
	}
	if err := chol.InverseTo(cov); err != nil {
		return errors.Join(errors.New("no Weibull distribution fits these lives: the likelihood has no clear maximum"), err)
	}
	f.LogCov = [4]float64{cov.At(0, 0), cov.At(0, 1), cov.At(1, 0), cov.At(1, 1)}
	return nil
}
