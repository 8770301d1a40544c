package fit

import "gonum.org/v1/gonum/mat"

// Evidence is the likelihood of n quantities of one unit in information form, without a
// prior: Info is the information matrix Λ (n×n, row by row), Vector is Λ·estimate (n).
// Λ need not have full rank: directions without data have no information.
type Evidence struct {
	Info, Vector []float64
}

// RemovePrior returns the likelihood that turned the prior into the posterior, both of
// the same n: the difference of their information. It is false where a covariance has
// no inverse.
func RemovePrior(posterior, prior Normal) (Evidence, bool) {
	after, ok := inverse(posterior.sym())
	if !ok {
		return Evidence{}, false
	}
	before, ok := inverse(prior.sym())
	if !ok {
		return Evidence{}, false
	}
	n := len(prior.Mean)
	var a, b mat.VecDense
	a.MulVec(after, mat.NewVecDense(n, posterior.Mean))
	b.MulVec(before, mat.NewVecDense(n, prior.Mean))
	a.SubVec(&a, &b)
	e := Evidence{Info: make([]float64, n*n), Vector: append([]float64(nil), a.RawVector().Data...)}
	for i := range n {
		for j := range n {
			e.Info[i*n+j] = after.At(i, j) - before.At(i, j)
		}
	}
	return e, true
}

// jointRounds is the number of rounds of expectation and maximisation. They start near
// the prior, where the likelihood is flat, and end close enough to the maximum.
const jointRounds = 30

// PoolJoint estimates the population of several units, n quantities each, and returns
// the distribution of a unit that has no data: the mean, and the covariance between
// units plus that of the mean. The prior is that of the population's mean. Its
// covariance times spread² is the prior of the covariance between units, and counts as
// much as weight units. Without units, or where a matrix cannot be inverted, it returns
// a copy of the prior. Method: expectation and maximisation, Dempster, Laird & Rubin
// (1977), J. R. Stat. Soc. B 39:1; the empirical Bayes model is that of [Pool], in
// several dimensions.
func PoolJoint(units []Evidence, prior Normal, spread, weight float64) Normal {
	j := joint{units: units, prior: prior.sym(), weight: weight, n: len(prior.Mean)}
	info, ok := inverse(j.prior)
	if !ok || len(units) == 0 {
		return prior.Clone()
	}
	j.priorInfo = info
	j.priorMean = mat.NewVecDense(j.n, prior.Mean)
	j.usual = mat.NewSymDense(j.n, nil)
	j.usual.ScaleSym(spread*spread, j.prior)
	between := mat.NewSymDense(j.n, nil)
	between.CopySym(j.usual)
	mean, cov := j.priorMean, j.prior
	for range jointRounds {
		mean, cov, between, ok = j.round(between)
		if !ok {
			return prior.Clone()
		}
	}
	out := NewNormal(j.n)
	for i := range j.n {
		out.Mean[i] = mean.AtVec(i)
		for k := range j.n {
			out.Cov[i*j.n+k] = between.At(i, k) + cov.At(i, k)
		}
	}
	return out
}

type joint struct {
	units                   []Evidence
	prior, priorInfo, usual *mat.SymDense
	priorMean               *mat.VecDense
	weight                  float64
	n                       int
}

// round returns the mean of the population given the covariance between units, with its
// own covariance, and then the covariance between units that follows from the
// posteriors of the units.
func (j *joint) round(between *mat.SymDense) (mean *mat.VecDense, meanCov, next *mat.SymDense, ok bool) {
	t, ok := inverse(between)
	if !ok {
		return nil, nil, nil, false
	}
	total := mat.NewDense(j.n, j.n, nil)
	total.Copy(j.priorInfo)
	sum := mat.NewVecDense(j.n, nil)
	sum.MulVec(j.priorInfo, j.priorMean)
	covs := make([]*mat.SymDense, len(j.units))
	for i, u := range j.units {
		info := mat.NewSymDense(j.n, nil)
		info.AddSym(t, symmetric(u.Info, j.n))
		if covs[i], ok = inverse(info); !ok {
			// Rounding has left no valid likelihood: the unit is left out.
			continue
		}
		// With V = (Λ + T⁻¹)⁻¹ the unit weighs (Λ⁻¹ + T)⁻¹ = T⁻¹ − T⁻¹VT⁻¹, and
		// that times its estimate b is T⁻¹VΛb: Λ itself need not be invertible.
		var tv, tvt mat.Dense
		tv.Mul(t, covs[i])
		tvt.Mul(&tv, t)
		total.Add(total, t)
		total.Sub(total, &tvt)
		var part mat.VecDense
		part.MulVec(&tv, mat.NewVecDense(j.n, u.Vector))
		sum.AddVec(sum, &part)
	}
	if meanCov, ok = inverse(symmetric(total.RawMatrix().Data, j.n)); !ok {
		return nil, nil, nil, false
	}
	mean = mat.NewVecDense(j.n, nil)
	mean.MulVec(meanCov, sum)
	return mean, meanCov, j.spread(t, mean, covs), true
}

// spread returns the covariance between units given the posteriors of the units.
func (j *joint) spread(t *mat.SymDense, mean *mat.VecDense, covs []*mat.SymDense) *mat.SymDense {
	next := mat.NewSymDense(j.n, nil)
	next.ScaleSym(j.weight, j.usual)
	var pull mat.VecDense
	pull.MulVec(t, mean)
	units := 0.0
	for i, v := range covs {
		if v == nil {
			continue
		}
		units++
		var m mat.VecDense
		m.AddVec(mat.NewVecDense(j.n, j.units[i].Vector), &pull)
		m.MulVec(v, &m)
		m.SubVec(&m, mean)
		next.AddSym(next, v)
		next.SymRankOne(next, 1, &m)
	}
	next.ScaleSym(1/(j.weight+units), next)
	return next
}

// sym returns a copy of the covariance as a matrix.
func (g *Normal) sym() *mat.SymDense { return symmetric(g.Cov, len(g.Mean)) }

// symmetric copies an n×n matrix and makes it symmetric: off the diagonal it takes the
// mean of both entries.
func symmetric(a []float64, n int) *mat.SymDense {
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s.SetSym(i, j, (a[i*n+j]+a[j*n+i])/2)
		}
	}
	return s
}

// inverse returns the inverse of a covariance, false where it has none.
func inverse(of *mat.SymDense) (*mat.SymDense, bool) {
	var root mat.Cholesky
	if !root.Factorize(of) {
		return nil, false
	}
	to := mat.NewSymDense(of.SymmetricDim(), nil)
	return to, root.InverseTo(to) == nil
}
