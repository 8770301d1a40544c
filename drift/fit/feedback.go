package fit

import "math"

// Feedback is one attempt of a controller that corrects itself, where only the outcome
// is known: the deviation z = H·x + e, e ~ N(0, R), was between Lo and Hi or not. After
// it component Moved of the state x rose by Gain·z. H is a row as [Normal] takes it; z,
// Lo and Hi have one unit, R its square.
type Feedback struct {
	H      []float64
	R      float64
	Lo, Hi float64
	// Within is the outcome: Lo < z < Hi.
	Within bool
	// Outlier is the probability that e has Width times the standard deviation, for a
	// reason that is not in the state.
	Outlier, Width float64
	// Wrong is the probability of an outcome that has nothing to do with z: either
	// outcome is then as likely and says nothing. Without it a state that finds an
	// outcome nearly impossible would move further and further with every attempt.
	Wrong float64
	// Moved is the index of a component, Gain the part of z that it follows; with
	// Gain 0 nothing moves.
	Moved int
	Gain  float64
}

// Observe updates g with the attempt and returns the log probability of its outcome
// and the posterior probability that it was an outlier. The posterior of z given the
// outcome is a mixture of truncated normals; its mean and variance, and the
// covariances that they imply, are kept (moment matching).
func (f *Feedback) Observe(g *Normal) (logLik, outlier float64) {
	m0, state := g.Predict(f.H)
	v0 := state + f.R
	if !(v0 > 0) || !(f.Lo < f.Hi) {
		return 0, f.Outlier
	}
	good, m1, v1 := f.outcome(m0, v0)
	bad, mb, vb := f.outcome(m0, state+f.R*f.Width*f.Width)
	logLik, outlier = weigh(math.Log1p(-f.Outlier)+good, math.Log(f.Outlier)+bad)
	if math.IsInf(logLik, -1) {
		return logLik, f.Outlier
	}
	// An outlier says of the state as much as the share of the state in its variance.
	share := v0 / (state + f.R*f.Width*f.Width)
	tell, spread := m0+(mb-m0)*share, v0+(vb-(state+f.R*f.Width*f.Width))*share*share
	mean, variance := blend(outlier, m1, v1, tell, spread)
	moved, noise := blend(outlier, m1, v1, mb, vb)
	// Covariance of z with its share in the state, within and between the two cases.
	both := (1-outlier)*v1 + outlier*share*vb + outlier*(1-outlier)*(m1-tell)*(m1-mb)
	logLik, lost := weigh(math.Log1p(-f.Wrong)+logLik, math.Log(f.Wrong/2))
	both = (1-lost)*both + lost*v0 + lost*(1-lost)*(mean-m0)*(moved-m0)
	mean, variance = blend(lost, mean, variance, m0, v0)
	moved, noise = blend(lost, moved, noise, m0, v0)
	g.follow(f, m0, v0, mean, variance, moved, noise, both)
	if !f.Within {
		outlier += lost * (1 - outlier) // a fail without a cause in z
	}
	return logLik, outlier
}

// outcome returns the log probability of the outcome for z ~ N(m, v), and mean and
// variance of z given the outcome.
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

// follow updates the state with z, whose mean and variance went from m0, v0 to m1, v1,
// and then adds Gain·z to component Moved. The z that the controller saw has mean
// moved, variance noise, and the covariance both with the z of the update.
func (g *Normal) follow(f *Feedback, m0, v0, m1, v1, moved, noise, both float64) {
	var scratch [stackSize]float64
	before := g.along(f.H, &scratch)
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
