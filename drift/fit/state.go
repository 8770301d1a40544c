package fit

import "math"

// Normal is the joint normal distribution of a small state x: its mean (n) and
// its covariance (n×n, row by row). Its methods change the slices in place and
// do not allocate for n up to 16.
//
// Wherever a row h is asked for, h·x is the linear combination meant. A row
// shorter than the state stands for zeros behind it; what is longer is not read.
type Normal struct {
	Mean, Cov []float64
}

// roomy is the size of state up to which scratch space lives on the stack.
const roomy = 16

// NewNormal returns a state of n components, all known to be zero.
func NewNormal(n int) Normal {
	n = max(n, 0)
	block := make([]float64, n+n*n)
	return Normal{Mean: block[:n:n], Cov: block[n:]}
}

// Clone returns a copy that shares nothing with g.
func (g Normal) Clone() Normal {
	c := NewNormal(len(g.Mean))
	c.CopyFrom(g)
	return c
}

// CopyFrom overwrites g with a state of the same size.
func (g Normal) CopyFrom(from Normal) {
	copy(g.Mean, from.Mean)
	copy(g.Cov, from.Cov)
}

// Var returns the variance of component i.
func (g Normal) Var(i int) float64 { return g.Cov[i*len(g.Mean)+i] }

// Spread adds the variance q, independent of all else, to component i.
func (g Normal) Spread(i int, q float64) { g.Cov[i*len(g.Mean)+i] += q }

// Add adds the known constant c to component i.
func (g Normal) Add(i int, c float64) { g.Mean[i] += c }

// Mix replaces component i by h·x.
func (g Normal) Mix(i int, h []float64) {
	var room [roomy]float64
	mean, variance := g.Predict(h)
	c := g.along(h, &room)
	n := len(g.Mean)
	for j, cj := range c {
		g.Cov[i*n+j], g.Cov[j*n+i] = cj, cj
	}
	g.Mean[i], g.Cov[i*n+i] = mean, variance
}

// Forget starts component i anew, independent of the others.
func (g Normal) Forget(i int, mean, variance float64) {
	n := len(g.Mean)
	for j := range n {
		g.Cov[i*n+j], g.Cov[j*n+i] = 0, 0
	}
	g.Mean[i], g.Cov[i*n+i] = mean, variance
}

// Predict returns the mean and the variance of h·x.
func (g Normal) Predict(h []float64) (mean, variance float64) {
	n := len(g.Mean)
	h = h[:min(n, len(h))]
	for i, hi := range h {
		if hi == 0 {
			continue
		}
		mean += hi * g.Mean[i]
		row := g.Cov[i*n : i*n+n]
		var s float64
		for j, hj := range h {
			s += hj * row[j]
		}
		variance += hi * s
	}
	return mean, max(variance, 0)
}

// along returns the covariances of every component with h·x, in room if it fits.
func (g Normal) along(h []float64, room *[roomy]float64) []float64 {
	n := len(g.Mean)
	c := room[:min(n, roomy)]
	if n > roomy {
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

// Condition carries what was learnt about a number z over to the whole state.
// z is h·x, or h·x plus independent noise; before, z had mean m0 and variance
// v0 > 0, afterwards it has mean m1 and variance v1. With v1 = 0 this is the
// Kalman update; with the moments of a truncated or mixed normal it is moment
// matching, exact in mean and covariance.
func (g Normal) Condition(h []float64, m0, v0, m1, v1 float64) {
	if !(v0 > 0) {
		return
	}
	var room [roomy]float64
	c := g.along(h, &room)
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

// Observe takes in a measurement y = h·x + e with e ~ N(0, r), r ≥ 0, and
// returns its log density as predicted. A missing y (NaN) changes nothing.
func (g Normal) Observe(h []float64, y, r float64) (logLik float64) {
	if math.IsNaN(y) {
		return 0
	}
	m, v := g.Predict(h)
	g.Condition(h, m, v+r, y, 0)
	return logDensity(y, m, v+r)
}

// ObserveRobust takes in y = h·x + e where e ~ N(0, r), or, with probability p,
// e ~ N(0, w·r): a spoilt measurement, which then hardly moves the state; or y is
// simply wrong and tells nothing: wrong is the density with which that says y, so
// small that the other two share what is left as if it were all. The posterior is
// a mixture of three normals and keeps its exact mean and covariance. It returns
// the log density of y and the probability, now y is known, that it was spoilt or
// wrong.
func (g Normal) ObserveRobust(h []float64, y, r, p, w, wrong float64) (logLik, outlier float64) {
	if math.IsNaN(y) {
		return 0, p
	}
	m, v := g.Predict(h)
	good := math.Log1p(-p) + logDensity(y, m, v+r)
	bad := math.Log(p) + logDensity(y, m, v+w*r)
	right, spoilt := weigh(good, bad)
	logLik, lost := weigh(right, math.Log(wrong))
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

// ObserveWithin takes in that lo < h·x + e < hi was seen, e ~ N(0, r), and
// returns the log probability of that. Either bound may be infinite. What could
// not happen leaves the state as it was and returns −Inf.
func (g Normal) ObserveWithin(h []float64, lo, hi, r float64) (logLik float64) {
	m, v := g.Predict(h)
	logLik, mean, variance := TruncatedNormal(m, math.Sqrt(v+r), lo, hi)
	if !math.IsInf(logLik, -1) {
		g.Condition(h, m, v+r, mean, variance)
	}
	return logLik
}

// ObserveOutside takes in that h·x + e fell below lo or above hi, e ~ N(0, r),
// or that, with probability p, the outcome came about for an unrelated reason
// and tells nothing of the state. It returns the log probability of what was
// seen and the probability that the reason was the unrelated one.
func (g Normal) ObserveOutside(h []float64, lo, hi, r, p float64) (logLik, outlier float64) {
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

// weigh returns log(eᵃ + eᵇ) and the share of eᵇ in it (0 if both are nothing).
func weigh(a, b float64) (logSum, share float64) {
	top := max(a, b)
	if math.IsInf(top, -1) {
		return top, 0
	}
	ea, eb := math.Exp(a-top), math.Exp(b-top)
	return top + math.Log(ea+eb), eb / (ea + eb)
}

// blend returns mean and variance of the mixture (1−s)·(m0, v0) + s·(m1, v1).
// A part without weight is not looked at: its moments may be undefined.
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

// Blend makes g the mixture (1−s)·g + s·other, keeping mean and covariance.
func (g Normal) Blend(other Normal, s float64) {
	n := len(g.Mean)
	var room [roomy]float64
	d := room[:min(n, roomy)]
	if n > roomy {
		d = make([]float64, n)
	}
	for i := range d {
		d[i] = other.Mean[i] - g.Mean[i]
	}
	for i, di := range d {
		g.Mean[i] += s * di
		row, theirs := g.Cov[i*n:i*n+n], other.Cov[i*n:i*n+n]
		for j, dj := range d {
			row[j] += s*(theirs[j]-row[j]) + s*(1-s)*di*dj
		}
	}
}
