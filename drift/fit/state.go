package fit

import "math"

// Normal is the joint normal distribution of a state x of n components. Mean has n
// entries, Cov n×n, row by row; component i is in the unit that the caller gives it,
// and Cov[i*n+j] in the product of the units of i and j. Make one with [NewNormal].
//
// Methods that change the state change both slices in place: two values of Normal
// that share slices share the state, and [Normal.Clone] makes one that does not. No
// method allocates for n up to 16.
//
// An argument h is a row of coefficients and stands for the linear combination h·x.
// Missing coefficients are 0; those beyond the n-th are ignored.
type Normal struct {
	Mean, Cov []float64
}

// stackSize is the number of components up to which scratch space is on the stack.
const stackSize = 16

// NewNormal returns a state of n components, all known to be 0: mean and covariance
// are 0.
func NewNormal(n int) Normal {
	n = max(n, 0)
	block := make([]float64, n+n*n)
	return Normal{Mean: block[:n:n], Cov: block[n:]}
}

// Clone returns a copy that shares nothing with g.
func (g *Normal) Clone() Normal {
	c := NewNormal(len(g.Mean))
	c.CopyFrom(g)
	return c
}

// CopyFrom overwrites g with a copy of a state of the same n.
func (g *Normal) CopyFrom(from *Normal) {
	copy(g.Mean, from.Mean)
	copy(g.Cov, from.Cov)
}

// Var returns the variance of component i.
func (g *Normal) Var(i int) float64 { return g.Cov[i*len(g.Mean)+i] }

// AddVariance adds to component i an error of mean 0 and variance q ≥ 0 that is
// independent of the state.
func (g *Normal) AddVariance(i int, q float64) { g.Cov[i*len(g.Mean)+i] += q }

// Add adds the known constant c to component i.
func (g *Normal) Add(i int, c float64) { g.Mean[i] += c }

// SetLinear replaces component i by h·x, x before the call.
func (g *Normal) SetLinear(i int, h []float64) {
	var scratch [stackSize]float64
	mean, variance := g.Predict(h)
	c := g.along(h, &scratch)
	n := len(g.Mean)
	for j, cj := range c {
		g.Cov[i*n+j], g.Cov[j*n+i] = cj, cj
	}
	g.Mean[i], g.Cov[i*n+i] = mean, variance
}

// Reset gives component i a new mean and variance and makes it independent of the
// others.
func (g *Normal) Reset(i int, mean, variance float64) {
	n := len(g.Mean)
	for j := range n {
		g.Cov[i*n+j], g.Cov[j*n+i] = 0, 0
	}
	g.Mean[i], g.Cov[i*n+i] = mean, variance
}

// Predict returns the mean and the variance of h·x.
func (g *Normal) Predict(h []float64) (mean, variance float64) {
	n := len(g.Mean)
	h = h[:min(n, len(h))]
	for i, hi := range h {
		if hi == 0 {
			continue
		}
		mean += hi * g.Mean[i]
		row := g.Cov[i*n : i*n+len(h)]
		var s float64
		for j, hj := range h {
			s += hj * row[j]
		}
		variance += hi * s
	}
	return mean, max(variance, 0)
}

// along returns the covariances of every component with h·x, in scratch if it fits.
func (g *Normal) along(h []float64, scratch *[stackSize]float64) []float64 {
	n := len(g.Mean)
	c := scratch[:min(n, stackSize)]
	if n > stackSize {
		c = make([]float64, n)
	}
	for i, hi := range h[:min(n, len(h))] {
		if hi == 0 {
			continue
		}
		for j, p := range g.Cov[i*n : i*n+n] {
			c[j] += hi * p
		}
	}
	return c
}

// Condition updates the whole state with what was learnt about one number z. z is
// h·x, or h·x plus independent noise. Before, z had mean m0 and variance v0;
// afterwards it has mean m1 and variance v1. Without a variance v0 > 0 nothing
// changes. With v1 = 0 this is the Kalman update; with the moments of a truncated or
// mixed normal it is moment matching, exact in mean and covariance.
func (g *Normal) Condition(h []float64, m0, v0, m1, v1 float64) {
	if !(v0 > 0) {
		return
	}
	var scratch [stackSize]float64
	c := g.along(h, &scratch)
	n := len(g.Mean)
	shift, shrink := (m1-m0)/v0, (v1-v0)/v0/v0
	for i, ci := range c {
		// No covariance exceeds what the variances allow. It seems to where v0 is
		// itself but rounding: of what is known already, nothing more is learnt.
		if ci*ci > g.Cov[i*n+i]*v0 {
			c[i] = math.Copysign(math.Sqrt(g.Cov[i*n+i]*v0), ci)
		}
	}
	for i, ci := range c {
		if ci == 0 {
			continue
		}
		g.Mean[i] += ci * shift
		ci *= shrink
		row := g.Cov[i*n : i*n+n]
		for j, cj := range c {
			row[j] += ci * cj
		}
		// Rounding must not leave a variance below zero.
		row[i] = max(row[i], 0)
	}
}

// Observe updates the state with a measurement y = h·x + e, e ~ N(0, r), r ≥ 0, and
// returns the log density that was predicted for y. A missing y (NaN) changes nothing
// and returns 0.
func (g *Normal) Observe(h []float64, y, r float64) (logLik float64) {
	if math.IsNaN(y) {
		return 0
	}
	m, v := g.Predict(h)
	g.Condition(h, m, v+r, y, 0)
	return logDensity(y, m, v+r)
}

// Outliers says how often measurements are not as usual: with probability p the error has
// w times its variance. Besides, a measurement may be wrong and say nothing of the state:
// wrong ≥ 0 is the density of such a one, in 1/unit of the measurement, so small that the
// two cases before share the probability as if there were no third. Make one with
// [NewOutliers].
type Outliers struct {
	p, w                       float64
	logUsual, logOut, logWrong float64
}

// NewOutliers takes the logarithms, which many states then share.
func NewOutliers(p, w, wrong float64) Outliers {
	return Outliers{p: p, w: w, logUsual: math.Log1p(-p), logOut: math.Log(p), logWrong: math.Log(wrong)}
}

// ObserveRobust updates the state with a measurement y = h·x + e, e ~ N(0, r), that may be
// an outlier or wrong. The posterior is a mixture of three normals, of which mean and
// covariance are kept exactly. It returns the log density of y, and the posterior
// probability that y was an outlier or wrong. A missing y (NaN) changes nothing and
// returns 0 and the probability of an outlier.
func (g *Normal) ObserveRobust(h []float64, y, r float64, o *Outliers) (logLik, outlier float64) {
	if math.IsNaN(y) {
		return 0, o.p
	}
	m, v := g.Predict(h)
	w := o.w
	good := o.logUsual + logDensity(y, m, v+r)
	bad := o.logOut + logDensity(y, m, v+w*r)
	right, spoilt := weigh(good, bad)
	logLik, lost := weigh(right, o.logWrong)
	outlier = spoilt + lost*(1-spoilt)
	if v == 0 {
		return logLik, outlier
	}
	m0, v0 := m+v/(v+r)*(y-m), v*r/(v+r)
	m1, v1 := m+v/(v+w*r)*(y-m), v*w*r/(v+w*r)
	mean, variance := blend(spoilt, m0, v0, m1, v1)
	mean, variance = blend(lost, mean, variance, m, v)
	g.Condition(h, m, v, mean, variance)
	return logLik, outlier
}

// ObserveWithin updates the state with the observation lo < h·x + e < hi, e ~ N(0, r),
// and returns its log probability. Either bound may be infinite. An observation of
// probability 0 leaves the state as it was and returns −Inf.
func (g *Normal) ObserveWithin(h []float64, lo, hi, r float64) (logLik float64) {
	m, v := g.Predict(h)
	logLik, mean, variance := TruncatedNormal(m, math.Sqrt(v+r), lo, hi)
	if !math.IsInf(logLik, -1) {
		g.Condition(h, m, v+r, mean, variance)
	}
	return logLik
}

// ObserveOutside updates the state with the observation that h·x + e lay below lo or
// above hi, e ~ N(0, r); with probability p the observation has an unrelated cause and
// says nothing of the state. It returns the log probability of the observation and the
// posterior probability that the cause was unrelated. Without lo < hi nothing changes,
// and it returns 0 and p.
func (g *Normal) ObserveOutside(h []float64, lo, hi, r, p float64) (logLik, outlier float64) {
	if !(lo < hi) {
		return 0, p
	}
	m, v := g.Predict(h)
	sd := math.Sqrt(v + r)
	logLow, mLow, vLow := TruncatedNormal(m, sd, math.Inf(-1), lo)
	logHigh, mHigh, vHigh := TruncatedNormal(m, sd, hi, math.Inf(1))
	logOut, high := weigh(logLow, logHigh)
	logLik, outlier = weigh(math.Log1p(-p)+logOut, math.Log(p))
	if math.IsInf(logOut, -1) {
		return logLik, outlier
	}
	mean, variance := blend(high, mLow, vLow, mHigh, vHigh)
	mean, variance = blend(outlier, mean, variance, m, v+r)
	g.Condition(h, m, v+r, mean, variance)
	return logLik, outlier
}

// logDensity is the log density of N(m, v) at y; with v = 0, all is at m.
func logDensity(y, m, v float64) float64 {
	d := y - m
	if v == 0 {
		if d == 0 {
			return 0
		}
		return math.Inf(-1)
	}
	return -0.5 * (ln2Pi + math.Log(v) + d*d/v)
}

// weigh returns log(eᵃ + eᵇ) and the share of eᵇ in the sum, 0 if both are −Inf.
func weigh(a, b float64) (logSum, share float64) {
	top := max(a, b)
	if math.IsInf(top, -1) {
		return top, 0
	}
	ea, eb := 1.0, 1.0
	if a < top {
		ea = math.Exp(a - top)
	} else {
		eb = math.Exp(b - top)
	}
	return top + math.Log(ea+eb), eb / (ea + eb)
}

// blend returns mean and variance of the mixture (1−s)·(m0, v0) + s·(m1, v1). A part
// of weight 0 is not read: its moments may be undefined.
func blend(s, m0, v0, m1, v1 float64) (mean, variance float64) {
	switch s {
	case 0:
		return m0, v0
	case 1:
		return m1, v1
	}
	d := m1 - m0
	return m0 + s*d, (1-s)*v0 + s*v1 + s*(1-s)*d*d
}

// Blend replaces g by the normal distribution that has the mean and the covariance of
// the mixture (1−s)·g + s·other, 0 ≤ s ≤ 1. Both have the same n; other stays as it is.
func (g *Normal) Blend(other *Normal, s float64) {
	n := len(g.Mean)
	var scratch [stackSize]float64
	d := scratch[:min(n, stackSize)]
	if n > stackSize {
		d = make([]float64, n)
	}
	for i := range d {
		d[i] = other.Mean[i] - g.Mean[i]
	}
	for i, di := range d {
		g.Mean[i] += s * di
		row, theirs := g.Cov[i*n:i*n+len(d)], other.Cov[i*n:i*n+len(d)]
		apart := s * (1 - s) * di
		for j, dj := range d {
			row[j] += s*(theirs[j]-row[j]) + apart*dj
		}
	}
}
