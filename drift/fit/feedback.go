package fit

import "math"

// Feedback is one attempt of a controller that corrects itself and of which
// only the outcome is known: the deviation z = h·x + e, e ~ N(0, R), was within
// Lo..Hi or not; afterwards component Moved of the state rose by Gain·z.
type Feedback struct {
	H      []float64
	R      float64
	Lo, Hi float64
	// Within is the outcome.
	Within bool
	// Spoilt is the probability of an attempt whose deviation is Width times as
	// wide, for a reason that is not in the state.
	Spoilt, Width float64
	// Wrong is the probability of an outcome that has nothing to do with z: it may
	// be either then, and tells nothing. A state that finds what was seen all but
	// impossible would else be carried off by it, ever further with every attempt.
	Wrong float64
	Moved int
	Gain  float64
}

// Observe folds the attempt into g and returns the log probability of its
// outcome and the probability that it was spoilt. The posterior of z given the
// outcome is a mixture of truncated normals; its mean and variance, and the
// covariances they imply, are kept (moment matching).
func (f *Feedback) Observe(g Normal) (logLik, spoilt float64) {
	m0, state := g.Predict(f.H)
	v0 := state + f.R
	if !(v0 > 0) || !(f.Lo < f.Hi) {
		return 0, f.Spoilt
	}
	good, m1, v1 := f.outcome(m0, v0)
	bad, mb, vb := f.outcome(m0, state+f.R*f.Width*f.Width)
	logLik, spoilt = weigh(math.Log1p(-f.Spoilt)+good, math.Log(f.Spoilt)+bad)
	if math.IsInf(logLik, -1) {
		return logLik, f.Spoilt
	}
	// What a spoilt attempt says of the state is in proportion to the share of
	// the state in its deviation.
	share := v0 / (state + f.R*f.Width*f.Width)
	tell, spread := m0+(mb-m0)*share, v0+(vb-(state+f.R*f.Width*f.Width))*share*share
	mean, variance := blend(spoilt, m1, v1, tell, spread)
	moved, noise := blend(spoilt, m1, v1, mb, vb)
	// Covariance of z with its own share in the state, within and between the two.
	both := (1-spoilt)*v1 + spoilt*share*vb + spoilt*(1-spoilt)*(m1-tell)*(m1-mb)
	logLik, lost := weigh(math.Log1p(-f.Wrong)+logLik, math.Log(f.Wrong/2))
	both = (1-lost)*both + lost*v0 + lost*(1-lost)*(mean-m0)*(moved-m0)
	mean, variance = blend(lost, mean, variance, m0, v0)
	moved, noise = blend(lost, moved, noise, m0, v0)
	g.follow(f, m0, v0, mean, variance, moved, noise, both)
	if !f.Within {
		spoilt += lost * (1 - spoilt) // nothing else fails for no reason
	}
	return logLik, spoilt
}

// outcome returns the log probability of the outcome for z ~ N(m, v) and the
// moments of z given it.
func (f *Feedback) outcome(m, v float64) (logMass, mean, variance float64) {
	sd := math.Sqrt(v)
	if f.Within {
		return TruncatedNormal(m, sd, f.Lo, f.Hi)
	}
	low, mLow, vLow := TruncatedNormal(m, sd, math.Inf(-1), f.Lo)
	high, mHigh, vHigh := TruncatedNormal(m, sd, f.Hi, math.Inf(1))
	logMass, share := weigh(low, high)
	mean, variance = blend(share, mLow, vLow, mHigh, vHigh)
	return logMass, mean, variance
}

// follow conditions the state on z having gone from (m0, v0) to (m1, v1) and
// then lets component Moved follow Gain·z, where the z that the controller saw
// has mean moved, variance noise and the covariance both with what is conditioned
// on.
func (g Normal) follow(f *Feedback, m0, v0, m1, v1, moved, noise, both float64) {
	var room [roomy]float64
	before := g.along(f.H, &room)
	g.Condition(f.H, m0, v0, m1, v1)
	if f.Gain == 0 {
		return
	}
	n, i := len(g.Mean), f.Moved
	left := both / v0
	own := g.Cov[i*n+i] + 2*f.Gain*before[i]*left + f.Gain*f.Gain*noise
	for j, c := range before {
		g.Cov[i*n+j] += f.Gain * c * left
		g.Cov[j*n+i] = g.Cov[i*n+j]
	}
	g.Mean[i] += f.Gain * moved
	g.Cov[i*n+i] = max(own, 0)
}
