package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// With equal variances there is a closed form: τ² = s² − v, and every unit moves
// the share v/s² of its way to the mean.
func TestPoolClosedForm(t *testing.T) {
	// The batch means of the dyestuff data, each with variance 2451.25/5: the
	// same numbers as the mixed model gives, 1764.05.
	var b, v []float64
	for _, u := range dyestuff {
		var sum float64
		for _, y := range u.Y {
			sum += y
		}
		b, v = append(b, sum/5), append(v, 2451.25/5)
	}
	p, err := Pool(b, v, Prior{})
	require.NoError(t, err)
	assert.InEpsilon(t, 1764.05, p.Between, 1e-6)
	assert.InDelta(t, 1527.5, p.Mean, 1e-9)
	assert.InEpsilon(t, (1764.05+490.25)/6, p.MeanVar, 1e-6)
	for i, want := range []float64{-17.606851367, 0.391263364, 28.562225551, -23.084538459, 56.733187738, -44.995286826} {
		assert.InDelta(t, want, p.Values[i]-1527.5, 1e-5)
	}
	mean, variance := p.New()
	assert.Equal(t, [2]float64{p.Mean, p.Between + p.MeanVar}, [2]float64{mean, variance})
}

// Eight schools: Rubin (1981), J. Educ. Stat. 6:377; Gelman et al., Bayesian Data
// Analysis (2013), 5.5. The likelihood is greatest without any spread, so that
// all pool to the weighted mean 7.686 with variance 16.58.
func TestPoolEightSchools(t *testing.T) {
	b := []float64{28, 8, -3, 7, -1, 1, 18, 12}
	v := []float64{15 * 15, 100, 16 * 16, 11 * 11, 81, 11 * 11, 100, 18 * 18}
	p, err := Pool(b, v, Prior{})
	require.NoError(t, err)
	assert.Zero(t, p.Between)
	assert.InDelta(t, 7.686, p.Mean, 1e-3)
	assert.InDelta(t, 16.58, p.MeanVar, 1e-2)
	for i := range b {
		assert.InDelta(t, p.Mean, p.Values[i], 1e-12)
		assert.InDelta(t, p.MeanVar, p.Vars[i], 1e-12)
	}
	// A weak prior keeps the spread off 0, and the order of the schools.
	p, err = Pool(b, v, Prior{Tau: 10})
	require.NoError(t, err)
	assert.Greater(t, p.Between, 9.0)
	assert.Greater(t, p.Values[0], p.Values[6])
	assert.Greater(t, p.Values[6], p.Values[2])
}

func TestPoolPriors(t *testing.T) {
	// Nothing from nothing: the prior itself.
	prior := Prior{Mean: 2, MeanVar: 0.25, Tau: 0.5}
	p, err := Pool(nil, nil, prior)
	require.NoError(t, err)
	assert.Equal(t, 2.0, p.Mean)
	assert.InDelta(t, 0.25, p.MeanVar, 1e-15)
	assert.InDelta(t, 0.5, math.Sqrt(p.Between), 1e-6, "the mode of Rayleigh's density")

	// One unit: a normal posterior, mean and spread uncertain.
	p, err = Pool([]float64{3}, []float64{0.1}, prior)
	require.NoError(t, err)
	s := p.Between
	assert.InDelta(t, (2/0.25+3/(0.1+s))/(1/0.25+1/(0.1+s)), p.Mean, 1e-12)
	// Unit given prior: N(2, 0.25 + τ²) and a measurement with variance 0.1.
	all := 0.25 + s
	assert.InDelta(t, (2/all+3/0.1)/(1/all+1/0.1), p.Values[0], 1e-12)
	assert.InDelta(t, 1/(1/all+1/0.1), p.Vars[0], 1e-12)

	// A unit of which nothing is known is the population's.
	p, err = Pool([]float64{3, 0, 4, 3.5}, []float64{0.1, inf, 0.1, 0.2}, Prior{})
	require.NoError(t, err)
	mean, variance := p.New()
	assert.InDelta(t, mean, p.Values[1], 1e-12)
	assert.InDelta(t, variance, p.Vars[1], 1e-12)
}

func TestPoolRecoversThePopulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	var b, v, theta []float64
	for range 2000 {
		x := 3 + 1.2*rng.NormFloat64()
		s := 0.2 + 2*rng.Float64()
		theta, v, b = append(theta, x), append(v, s*s), append(b, x+s*rng.NormFloat64())
	}
	p, err := Pool(b, v, Prior{})
	require.NoError(t, err)
	// About 4 standard errors with 2000 units.
	assert.InDelta(t, 3, p.Mean, 4*math.Sqrt(p.MeanVar))
	assert.InEpsilon(t, 1.44, p.Between, 0.25)
	var z2, plain, shrunk float64
	for i := range b {
		d := p.Values[i] - theta[i]
		z2 += d * d / p.Vars[i] / 2000
		shrunk += d * d
		plain += (b[i] - theta[i]) * (b[i] - theta[i])
	}
	assert.InDelta(t, 1, z2, 0.13)
	assert.Less(t, shrunk, 0.6*plain)
}

func TestPoolProperties(t *testing.T) {
	b := []float64{1, 4, 2, 8, 5, 7}
	v := []float64{1, 2, 0.5, 1, 3, 0.1}
	wasB, wasV := slices.Clone(b), slices.Clone(v)
	p, err := Pool(b, v, Prior{})
	require.NoError(t, err)
	require.Positive(t, p.Between)
	assert.Equal(t, wasB, b)
	assert.Equal(t, wasV, v)

	// Shift, scale and order.
	const c, d = 1e-3, 40.0
	n := len(b)
	b2, v2 := make([]float64, n), make([]float64, n)
	for i := range b {
		b2[n-1-i], v2[n-1-i] = d+c*b[i], c*c*v[i]
	}
	q, err := Pool(b2, v2, Prior{})
	require.NoError(t, err)
	assert.InEpsilon(t, c*c*p.Between, q.Between, 1e-5)
	assert.InDelta(t, d+c*p.Mean, q.Mean, 1e-8)
	assert.InDelta(t, p.LogLik-float64(n-1)*math.Log(c), q.LogLik, 1e-9)
	for i := range b {
		assert.InDelta(t, d+c*p.Values[i], q.Values[n-1-i], 1e-8)
		lo, hi := min(b[i], p.Mean), max(b[i], p.Mean)
		assert.True(t, lo <= p.Values[i] && p.Values[i] <= hi, "shrunken values lie between estimate and mean")
		assert.Less(t, p.Vars[i], v[i]+p.MeanVar)
	}
}

func TestPoolRefuses(t *testing.T) {
	for want, c := range map[string]struct {
		b, v  []float64
		prior Prior
	}{
		"must be equal, not 1 and 0":     {b: []float64{1}},
		"estimate 2, 3 with variance 0":  {b: []float64{1, 3}, v: []float64{1, 0}},
		"estimate 1, NaN":                {b: []float64{math.NaN(), 3}, v: []float64{1, 1}},
		"needs an estimate or a prior":   {prior: Prior{Tau: 1}},
		"needs two estimates or a prior": {b: []float64{1}, v: []float64{1}},
		"a prior needs a finite mean":    {prior: Prior{MeanVar: -1}},
		"a prior needs a finite mean,":   {prior: Prior{Tau: inf}},
	} {
		_, err := Pool(c.b, c.v, c.prior)
		assert.ErrorContains(t, err, want)
	}
}

func BenchmarkPool1000(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 1))
	x, v := make([]float64, 1000), make([]float64, 1000)
	for i := range x {
		x[i], v[i] = 2*rng.NormFloat64(), 0.1+rng.Float64()
	}
	for b.Loop() {
		if _, err := Pool(x, v, Prior{}); err != nil {
			b.Fatal(err)
		}
	}
}
