package forecast

import (
	"math"

	"arcdrift/drift/fit"
)

// FirstPassage is the distribution of the time in which a Wiener process with a random
// drift covers a distance: T = inf{t : θt + σB(t) >= Distance} with θ drawn once from
// N(Drift, DriftSD²). With DriftSD = 0 and Drift > 0 it is the inverse Gaussian
// distribution of mean Distance/Drift and shape (Distance/σ)².
//
// It is the closed form against which simulated arcs to failure are checked: one level,
// one slope, one limit, no session and no air. Distance and Noise are above 0, DriftSD is
// not below 0; the units of distance and time are the caller's.
type FirstPassage struct {
	Distance float64 // from the level now to the limit
	Drift    float64 // mean drift per unit of time
	DriftSD  float64 // spread of the drift between individuals
	Noise    float64 // σ, per square root of a unit of time
}

// CDF returns P(T <= t). As t grows it tends to Ever, which can be below 1.
// Peng and Tseng (2009), IEEE Transactions on Reliability 58, 444, after
// Whitmore (1986).
func (f FirstPassage) CDF(t float64) float64 {
	switch {
	case t <= 0:
		return 0
	case math.IsInf(t, 1):
		return f.Ever()
	}
	// Dividing by t keeps large times in range: v is the standard deviation of
	// the mean speed up to t.
	v := math.Sqrt(f.DriftSD*f.DriftSD + f.Noise*f.Noise/t)
	return f.reached(f.Distance/t, v)
}

// Ever returns the chance that the distance is ever covered; it is below 1 if the drift
// may lead away.
func (f FirstPassage) Ever() float64 {
	if f.Drift == 0 && f.DriftSD == 0 {
		return 1 // a Wiener process without drift gets everywhere
	}
	return f.reached(0, f.DriftSD)
}

// reached is the distribution function with time put as the speed needed,
// Distance/t, and the standard deviation of the mean speed. The exponential
// alone overflows for ordinary machines; its product with the tail does not.
func (f FirstPassage) reached(speed, sd float64) float64 {
	variance := f.Noise * f.Noise
	tilt := 2 * f.DriftSD * f.DriftSD * f.Distance / variance
	direct := fit.NormalCDF((f.Drift - speed) / sd)
	reflected := math.Exp(2*f.Drift*f.Distance/variance + tilt*f.Distance/variance +
		fit.NormalLogCDF(-(tilt+f.Drift+speed)/sd))
	return min(direct+reflected, 1)
}

// Quantile returns the time t at which CDF(t) = p, with the precision of CDF; plus
// infinity if p is not below Ever.
func (f FirstPassage) Quantile(p float64) float64 {
	switch {
	case p <= 0:
		return 0
	case p >= f.Ever():
		return math.Inf(1)
	}
	// Bisection of ln t: the function is monotone, and the time the noise alone
	// would need is a start in the right unit.
	low := math.Pow(f.Distance/f.Noise, 2)
	high := low
	for f.CDF(low) > p {
		low /= 2
	}
	for f.CDF(high) < p {
		high *= 2
	}
	for high-low > 1e-13*high {
		middle := math.Sqrt(low) * math.Sqrt(high)
		if f.CDF(middle) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}
