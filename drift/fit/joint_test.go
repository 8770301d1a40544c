package fit_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"arcdrift/drift/fit"
)

// normal is a distribution of independent numbers.
func normal(mean, variance []float64) fit.Normal {
	g := fit.NewNormal(len(mean))
	copy(g.Mean, mean)
	for i, v := range variance {
		g.Cov[i*len(mean)+i] = v
	}
	return g
}

// said is one direct observation of a single quantity.
func said(b, v float64) fit.Evidence {
	return fit.Evidence{Info: []float64{1 / v}, Vector: []float64{b / v}}
}

func TestFreeTakesThePriorOut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		prior := drawNormal(t, 3)
		posterior := prior.Clone()
		info, vector := mat.NewSymDense(3, nil), mat.NewVecDense(3, nil)
		for range 4 {
			h := rapid.SliceOfN(rapid.Float64Range(-2, 2), 3, 3).Draw(t, "h")
			y, r := rapid.Float64Range(-5, 5).Draw(t, "y"), rapid.Float64Range(0.5, 2).Draw(t, "r")
			posterior.Observe(h, y, r)
			info.SymRankOne(info, 1/r, mat.NewVecDense(3, h))
			vector.AddScaledVec(vector, y/r, mat.NewVecDense(3, h))
		}
		e, ok := fit.RemovePrior(posterior, prior)
		require.True(t, ok)
		// Two inverses of a covariance lose digits as its condition does.
		var before mat.SymDense
		s := mat.NewSymDense(3, slices.Clone(prior.Cov))
		var root mat.Cholesky
		require.True(t, root.Factorize(s))
		require.NoError(t, root.InverseTo(&before))
		close := 1e-9 * (1 + mat.Norm(&before, 2)) * root.Cond()
		for i := range 3 {
			assert.InDelta(t, vector.AtVec(i), e.Vector[i], close*10)
			for j := range 3 {
				assert.InDelta(t, info.At(i, j), e.Info[i*3+j], close)
			}
		}
	})
	_, ok := fit.RemovePrior(normal([]float64{0, 0}, []float64{1, 0}), normal([]float64{0, 0}, []float64{1, 1}))
	assert.False(t, ok)
	_, ok = fit.RemovePrior(normal([]float64{0, 0}, []float64{1, 1}), normal([]float64{0, 0}, []float64{1, 0}))
	assert.False(t, ok)
}

// With a mean that is known beforehand and units that are seen exactly, nothing
// is left to iterate: the spread is the prior's, worth so many units, and the
// units' squares about the mean.
func TestPoolJointClosedForm(t *testing.T) {
	b := []float64{-2, 1, 4, 5}
	var units []fit.Evidence
	for _, x := range b {
		units = append(units, said(x, 1e-12))
	}
	const usual, weight = 0.25, 3.0
	// The prior's variance, 1e12, leaves the mean to the data: 2.
	got := fit.PoolJoint(units, normal([]float64{50}, []float64{1e12}), math.Sqrt(usual/1e12), weight)
	between := (weight*usual + 16 + 1 + 4 + 9) / (weight + 4)
	assert.InDelta(t, 2, got.Mean[0], 1e-9)
	assert.InEpsilon(t, between+between/4, got.Cov[0], 1e-9)
}

// In one dimension, with priors that say nothing, it is the model of Pool. Pool
// takes the spread of greatest restricted likelihood, this the one of greatest
// likelihood, smaller by about 1/n; thirty rounds close the rest where units
// differ more than they are unsure.
func TestPoolJointInOneDimension(t *testing.T) {
	const n = 200
	rng := rand.New(rand.NewPCG(71, 72))
	var b, v []float64
	var units []fit.Evidence
	for range n {
		own := 0.1 + 0.4*rng.Float64()
		x := 3 + 2*rng.NormFloat64() + math.Sqrt(own)*rng.NormFloat64()
		b, v, units = append(b, x), append(v, own), append(units, said(x, own))
	}
	pooled, err := fit.Pool(b, v, fit.Prior{})
	require.NoError(t, err)
	mean, variance := pooled.New()
	got := fit.PoolJoint(units, normal([]float64{0}, []float64{1e8}), 2e-4, 1e-9)
	assert.InDelta(t, mean, got.Mean[0], 1e-3, "a hundredth of its uncertainty, 0.14")
	assert.InEpsilon(t, variance, got.Cov[0], 1.5/n)
	assert.Less(t, got.Cov[0], variance)
}

func TestPoolJointDoesNotCareForOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var units []fit.Evidence
		for range rapid.IntRange(1, 6).Draw(t, "units") {
			prior, after := normal(make([]float64, 3), []float64{1, 1, 1}), normal(make([]float64, 3), []float64{1, 1, 1})
			for range 3 {
				after.Observe(rapid.SliceOfN(rapid.Float64Range(-2, 2), 3, 3).Draw(t, "h"), rapid.Float64Range(-5, 5).Draw(t, "y"), 0.3)
			}
			e, ok := fit.RemovePrior(after, prior)
			require.True(t, ok)
			units = append(units, e)
		}
		prior := normal([]float64{0.4, 0, 0}, []float64{0.09, 0.01, 0.09})
		before := prior.Clone()
		a := fit.PoolJoint(units, prior, 1.0/3, 3)
		b := fit.PoolJoint(rapid.Permutation(units).Draw(t, "order"), prior, 1.0/3, 3)
		// Sums in another order differ in the last digits of the largest number:
		// units that contradict each other have covariances of a thousand.
		largest := 1.0
		for _, x := range slices.Concat(a.Mean, a.Cov) {
			largest = max(largest, math.Abs(x))
		}
		assert.InDeltaSlice(t, a.Mean, b.Mean, 1e-9*largest)
		assert.InDeltaSlice(t, a.Cov, b.Cov, 1e-9*largest)
		assert.Equal(t, before, prior, "the prior is the caller's")
		requireCovariance(t, a)
	})
}

// Three coefficients of which every unit tells two combinations only: the
// population's mean and covariance come out from all together.
func TestPoolJointRecovers(t *testing.T) {
	const n = 400
	rng := rand.New(rand.NewPCG(73, 74))
	truth := fit.NewNormal(3)
	copy(truth.Mean, []float64{0.5, -0.2, 0.3})
	// Of root {0.3}, {0.1, 0.2}, {−0.1, 0, 0.25}.
	copy(truth.Cov, []float64{0.09, 0.03, -0.03, 0.03, 0.05, -0.01, -0.03, -0.01, 0.0725})
	flat := normal(make([]float64, 3), []float64{100, 100, 100})
	var units []fit.Evidence
	for range n {
		z0, z1, z2 := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
		x := []float64{truth.Mean[0] + 0.3*z0, truth.Mean[1] + 0.1*z0 + 0.2*z1, truth.Mean[2] - 0.1*z0 + 0.25*z2}
		after := flat.Clone()
		for range 2 {
			h := []float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
			y := 0.05 * rng.NormFloat64()
			for i := range x {
				y += h[i] * x[i]
			}
			after.Observe(h, y, 0.0025)
		}
		e, ok := fit.RemovePrior(after, flat)
		require.True(t, ok)
		units = append(units, e)
	}
	got := fit.PoolJoint(units, normal(make([]float64, 3), []float64{1, 1, 1}), 1.0/3, 3)
	// A component seen fully by 400 units has standard error 0.3/20 in its mean;
	// seen by two parts in three about 0.02. Four of them.
	assert.InDeltaSlice(t, truth.Mean, got.Mean, 0.08)
	// A variance of 400 units has a relative error of about 0.07, of two thirds
	// of them seen 0.1: three of these of the largest entry.
	assert.InDeltaSlice(t, truth.Cov, got.Cov, 0.3*0.09)
}

func TestPoolJointFallsBackOnThePrior(t *testing.T) {
	singular := fit.NewNormal(2)
	copy(singular.Mean, []float64{1, 2})
	copy(singular.Cov, []float64{1, 1, 1, 1})
	prior := normal([]float64{1, 2}, []float64{1, 4})
	unit := fit.Evidence{Info: []float64{1, 0, 0, 1}, Vector: []float64{3, 3}}
	against := fit.Evidence{Info: []float64{-1e6, 0, 0, 1}, Vector: []float64{3, 3}}
	for name, c := range map[string]struct {
		units []fit.Evidence
		prior fit.Normal
	}{
		"no units":         {nil, prior},
		"a singular prior": {[]fit.Evidence{unit}, singular},
	} {
		got := fit.PoolJoint(c.units, c.prior, 0.5, 3)
		assert.Equal(t, c.prior, got, name)
		got.Mean[0]++
		assert.Equal(t, 1.0, c.prior.Mean[0], "%s: it is a copy", name)
	}

	// Units that say nothing leave mean and spread where the prior has them.
	nothing := fit.Evidence{Info: make([]float64, 4), Vector: make([]float64, 2)}
	got := fit.PoolJoint([]fit.Evidence{nothing, nothing}, prior, 0.5, 3)
	assert.InDeltaSlice(t, prior.Mean, got.Mean, 1e-12)
	assert.InDeltaSlice(t, []float64{1.25, 0, 0, 5}, got.Cov, 1e-9)
	assert.Equal(t, fit.PoolJoint([]fit.Evidence{unit}, prior, 0.5, 3), fit.PoolJoint([]fit.Evidence{unit, against}, prior, 0.5, 3),
		"evidence against any spread tells nothing")
}

// The mixture of two normals, by its moments.
func TestBlend(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawNormal(t, 3), drawNormal(t, 3)
		s := rapid.Float64Range(0, 1).Draw(t, "share")
		got, other := a.Clone(), b.Clone()
		got.Blend(&b, s)
		assert.Equal(t, other, b)
		for i := range 3 {
			mean := (1-s)*a.Mean[i] + s*b.Mean[i]
			assert.InDelta(t, mean, got.Mean[i], 1e-12)
			for j := range 3 {
				second := (1-s)*(a.Cov[3*i+j]+a.Mean[i]*a.Mean[j]) + s*(b.Cov[3*i+j]+b.Mean[i]*b.Mean[j])
				assert.InDelta(t, second-mean*((1-s)*a.Mean[j]+s*b.Mean[j]), got.Cov[3*i+j], 1e-11)
			}
		}
		requireCovariance(t, got)
	})
	// States too large for the stack are blended alike.
	a, b := normal(make([]float64, 20), nil), normal(slices.Repeat([]float64{2}, 20), nil)
	a.Blend(&b, 0.5)
	assert.Equal(t, 1.0, a.Mean[19])
	assert.Equal(t, 1.0, a.Cov[399])
}
