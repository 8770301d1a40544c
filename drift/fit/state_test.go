package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
)

// anyState draws a state with a full-rank covariance.
func anyState(rng *rand.Rand, n int) Normal {
	g := NewNormal(n)
	root := make([]float64, n*n)
	for i := range root {
		root[i] = rng.NormFloat64()
	}
	for i := range n {
		g.Mean[i] = rng.NormFloat64()
		for j := range n {
			for k := range n {
				g.Cov[i*n+j] += root[i*n+k] * root[j*n+k]
			}
		}
	}
	return g
}

func anyRow(rng *rand.Rand, n int) []float64 {
	h := make([]float64, n)
	for i := range h {
		h[i] = rng.NormFloat64()
	}
	return h
}

func TestObserveIsTheLinearNormalPosterior(t *testing.T) {
	// One component, closed form: precisions add.
	g := NewNormal(1)
	g.Reset(0, 2, 4)
	logLik := g.Observe([]float64{1}, 5, 1)
	assert.InDelta(t, 2+4.0/5*3, g.Mean[0], 1e-15)
	assert.InDelta(t, 1/(1.0/4+1), g.Cov[0], 1e-15)
	assert.InDelta(t, -0.5*(math.Log(2*math.Pi*5)+9.0/5), logLik, 1e-14)

	// Many: in any order of the measurements the same posterior, equal to the
	// one in information form, (P⁻¹ + Σ hh'/r)⁻¹.
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 5
	prior := anyState(rng, n)
	a, b := prior.Clone(), prior.Clone()
	var info mat.Dense
	require.NoError(t, info.Inverse(mat.NewDense(n, n, prior.Clone().Cov)))
	rows := make([][]float64, 4)
	ys := anyRow(rng, 4)
	var la, lb float64
	for i := range rows {
		rows[i] = anyRow(rng, n)
		la += a.Observe(rows[i], ys[i], 0.3)
		h := mat.NewVecDense(n, rows[i])
		var outer mat.Dense
		outer.Outer(1/0.3, h, h)
		info.Add(&info, &outer)
	}
	for i := range rows {
		lb += b.Observe(rows[3-i], ys[3-i], 0.3)
	}
	var want mat.Dense
	require.NoError(t, want.Inverse(&info))
	assert.InDelta(t, la, lb, 1e-11)
	assert.InDeltaSlice(t, a.Mean, b.Mean, 1e-12)
	assert.InDeltaSlice(t, want.RawMatrix().Data, a.Cov, 1e-12)
}

func TestStateMoves(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	g := anyState(rng, 3)
	before := g.Clone()
	h := []float64{1, 250, -2}
	mean, variance := g.Predict(h)
	other, otherVar := g.Predict([]float64{0, 1, 1})
	covBefore := 0.0
	for i, hi := range h {
		covBefore += hi * (g.Cov[i*3+1] + g.Cov[i*3+2])
	}
	g.SetLinear(0, h)
	assert.InDelta(t, mean, g.Mean[0], 1e-12)
	assert.InDelta(t, variance, g.Var(0), 1e-9)
	assert.InDelta(t, covBefore, g.Cov[1]+g.Cov[2], 1e-9)
	assert.Equal(t, g.Cov[1], g.Cov[3])
	m, v := g.Predict([]float64{0, 1, 1})
	assert.Equal(t, [2]float64{other, otherVar}, [2]float64{m, v}, "the others stay")

	g.CopyFrom(&before)
	g.AddVariance(1, 2)
	g.Add(2, 7)
	assert.Equal(t, before.Var(1)+2, g.Var(1))
	assert.Equal(t, before.Mean[2]+7, g.Mean[2])
	g.Reset(1, 9, 4)
	assert.Equal(t, []float64{before.Cov[0], 0, before.Cov[2], 0, 4, 0, before.Cov[6], 0, before.Cov[8]}, g.Cov)
	assert.Equal(t, 9.0, g.Mean[1])
	assert.NotSame(t, &before.Cov[0], &g.Cov[0])
}

func TestBlendIsTheMixture(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	a, b := anyState(rng, 4), anyState(rng, 4)
	other := b.Clone()
	const s = 0.3
	g := a.Clone()
	g.Blend(&b, s)
	for i := range 4 {
		assert.InDelta(t, (1-s)*a.Mean[i]+s*b.Mean[i], g.Mean[i], 1e-14)
		for j := range 4 {
			second := (1-s)*(a.Cov[i*4+j]+a.Mean[i]*a.Mean[j]) + s*(b.Cov[i*4+j]+b.Mean[i]*b.Mean[j])
			assert.InDelta(t, second-g.Mean[i]*g.Mean[j], g.Cov[i*4+j], 1e-13)
		}
	}
	assert.Equal(t, other, b)
}

func TestShortAndLongRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	g := anyState(rng, 3)
	a, b := g.Clone(), g.Clone()
	assert.Equal(t, a.Observe([]float64{1}, 2, 1), b.Observe([]float64{1, 0, 0, 99}, 2, 1))
	assert.Equal(t, a, b)
	big := anyState(rng, stackSize+3)
	big.Observe(anyRow(rng, stackSize+3), 1, 1)
	assert.False(t, math.IsNaN(big.Mean[stackSize+2]))
	assert.Empty(t, NewNormal(-1).Mean)
}

func TestMissingAndCertain(t *testing.T) {
	g := NewNormal(2)
	g.Reset(0, 1, 1)
	before := g.Clone()
	assert.Zero(t, g.Observe([]float64{1, 0}, math.NaN(), 1))
	logLik, outlier := g.ObserveRobust([]float64{1, 0}, math.NaN(), 1, outliers(0.1, 25, 0))
	assert.Equal(t, [2]float64{0, 0.1}, [2]float64{logLik, outlier})
	assert.Equal(t, before, g)

	// A component known for certain is not moved, whatever is seen of it.
	assert.Equal(t, -inf, g.Observe([]float64{0, 1}, 3, 0))
	g.ObserveRobust([]float64{0, 1}, 3, 1, outliers(0.1, 25, 0))
	assert.Equal(t, -inf, g.ObserveWithin([]float64{0, 1}, 1, 2, 0))
	assert.Equal(t, before, g)

	// An exact measurement leaves no doubt along its row, and no negative variance.
	g.Observe([]float64{1, 1}, 5, 0)
	mean, variance := g.Predict([]float64{1, 1})
	assert.InDelta(t, 5, mean, 1e-15)
	assert.InDelta(t, 0, variance, 1e-15)
}

// numericPosterior integrates prior N(m, v) times a likelihood over a grid.
func numericPosterior(m, v float64, like func(float64) float64) (logLik, mean, variance float64) {
	const n = 40001
	sd := math.Sqrt(v)
	h := 20 * sd / (n - 1)
	var s0, s1, s2 float64
	for i := range n {
		x := m - 10*sd + float64(i)*h
		f := NormalPDF((x-m)/sd) / sd * like(x) * h
		s0, s1, s2 = s0+f, s1+f*x, s2+f*x*x
	}
	return math.Log(s0), s1 / s0, s2/s0 - s1*s1/s0/s0
}

func TestInexactObservationsKeepTheExactMoments(t *testing.T) {
	const m, v, r = 1.5, 2.0, 0.7
	sd := math.Sqrt(r)
	one := []float64{1}
	for name, c := range map[string]struct {
		like func(float64) float64
		see  func(Normal) float64
	}{
		"robust": {
			func(x float64) float64 {
				return 0.9*math.Exp(logDensity(6, x, r)) + 0.1*math.Exp(logDensity(6, x, 30*r))
			},
			func(g Normal) float64 { l, _ := g.ObserveRobust(one, 6, r, outliers(0.1, 30, 0)); return l },
		},
		"robust, or wrong": {
			func(x float64) float64 {
				return 0.9*math.Exp(logDensity(6, x, r)) + 0.1*math.Exp(logDensity(6, x, 30*r)) + 0.02
			},
			func(g Normal) float64 { l, _ := g.ObserveRobust(one, 6, r, outliers(0.1, 30, 0.02)); return l },
		},
		"within": {
			func(x float64) float64 { return NormalCDF((4-x)/sd) - NormalCDF((3-x)/sd) },
			func(g Normal) float64 { return g.ObserveWithin(one, 3, 4, r) },
		},
		"above": {
			func(x float64) float64 { return NormalCDF((x - 3) / sd) },
			func(g Normal) float64 { return g.ObserveWithin(one, 3, inf, r) },
		},
		"outside": {
			func(x float64) float64 { return 0.2 + 0.8*(NormalCDF((0-x)/sd)+NormalCDF((x-2)/sd)) },
			func(g Normal) float64 { l, _ := g.ObserveOutside(one, 0, 2, r, 0.2); return l },
		},
	} {
		g := NewNormal(1)
		g.Reset(0, m, v)
		logLik := c.see(g)
		wantLik, wantMean, wantVar := numericPosterior(m, v, c.like)
		// 1e-8: the grid's own error.
		assert.InDelta(t, wantLik, logLik, 1e-8, name)
		assert.InDelta(t, wantMean, g.Mean[0], 1e-8, name)
		assert.InDelta(t, wantVar, g.Cov[0], 1e-8, name)
	}
}

func TestRobustness(t *testing.T) {
	start := NewNormal(1)
	start.Reset(0, 0, 1)
	one := []float64{1}

	plain, robust := start.Clone(), start.Clone()
	want := plain.Observe(one, 0.4, 0.5)
	got, outlier := robust.ObserveRobust(one, 0.4, 0.5, outliers(0, 25, 0))
	assert.InDelta(t, want, got, 1e-15, "without outliers it is the plain update")
	assert.Zero(t, outlier)
	assert.InDelta(t, plain.Mean[0], robust.Mean[0], 1e-15)
	assert.InDelta(t, plain.Cov[0], robust.Cov[0], 1e-15)

	// The further out the point, the surer it is spoilt and the less it moves.
	share, last := inf, 0.0
	for _, y := range []float64{2, 4, 5, 6} {
		g := start.Clone()
		_, outlier := g.ObserveRobust(one, y, 0.5, outliers(0.02, 1e4, 0))
		assert.Greater(t, outlier, last)
		assert.Less(t, g.Mean[0]/y, share)
		share, last = g.Mean[0]/y, outlier
	}
	assert.Greater(t, last, 0.95)
	assert.Less(t, share, 0.05)

	// A fail that the state makes unlikely is put down to spoilt ends.
	g := start.Clone()
	_, outlier = g.ObserveOutside(one, -8, 8, 0.5, 0.05)
	assert.Greater(t, outlier, 0.999)
	assert.InDelta(t, 1, g.Cov[0], 1e-3)
	// A band of no width leaves nothing inside: a fail tells nothing.
	l, o := g.ObserveOutside(one, 2, 2, 0.5, 0.05)
	assert.Equal(t, [2]float64{0, 0.05}, [2]float64{l, o})
}

// Whatever is seen, in whatever order, the covariance stays symmetric and
// without negative variance along any row.
func TestCovarianceStaysACovariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const n = 6
	for range 50 {
		g := anyState(rng, n)
		widest := 0.0
		for range 200 {
			h := anyRow(rng, n)
			mean, _ := g.Predict(h)
			switch rng.IntN(6) {
			case 0:
				g.Observe(h, mean+rng.NormFloat64(), 1e-6)
			case 1:
				g.ObserveRobust(h, mean+5*rng.NormFloat64(), 0.1, outliers(0.05, 50, 0))
			case 2:
				g.ObserveWithin(h, mean-rng.Float64(), mean+rng.Float64(), 0.01)
			case 3:
				g.ObserveOutside(h, mean-rng.Float64(), mean+rng.Float64(), 0.01, 0.1)
			case 4:
				g.SetLinear(rng.IntN(n), h)
			case 5:
				g.AddVariance(rng.IntN(n), 1)
			}
			// Rounding, over 200 steps, is relative to the widest variance there ever was.
			for i := range n {
				widest = max(widest, g.Var(i))
				for j := range i {
					assert.InDelta(t, g.Cov[i*n+j], g.Cov[j*n+i], 1e-11*widest)
				}
			}
		}
		var eigen mat.EigenSym
		require.True(t, eigen.Factorize(mat.NewSymDense(n, g.Cov), false))
		assert.Greater(t, eigen.Values(nil)[0], -1e-11*widest)
	}
}

// A level that wanders, with one point in ten spoilt: the robust filter follows
// it, and its own variance tells how well.
func TestRobustFilterRecoversALevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	g := NewNormal(1)
	g.Reset(0, 0, 10)
	var level, sum float64
	const n = 4000
	for range n {
		level += 0.1 * rng.NormFloat64()
		g.AddVariance(0, 0.01)
		y := level + rng.NormFloat64()
		if rng.Float64() < 0.1 {
			y += 20 * rng.NormFloat64()
		}
		g.ObserveRobust([]float64{1}, y, 1, outliers(0.1, 400, 0))
		d := g.Mean[0] - level
		sum += d * d / g.Cov[0]
	}
	// Mean of about 4000/20 independent χ²₁: standard error 0.1.
	assert.InDelta(t, 1, sum/n, 0.3)
}

func TestStateDoesNotAllocate(t *testing.T) {
	g := anyState(rand.New(rand.NewPCG(11, 12)), 6)
	h := []float64{1, 0.3, -0.2, 0.5, 0, 0}
	assert.Zero(t, testing.AllocsPerRun(100, func() {
		g.AddVariance(0, 0.01)
		g.SetLinear(0, h)
		g.Observe(h, 1, 0.5)
		g.ObserveRobust(h, 1, 0.5, outliers(0.05, 25, 0))
		g.ObserveWithin(h, -1, 1, 0.5)
		g.ObserveOutside(h, -1, 1, 0.5, 0.1)
	}))
}

func BenchmarkState6(b *testing.B) {
	start := anyState(rand.New(rand.NewPCG(13, 14)), 6)
	h := []float64{1, 0.3, -0.2, 0.5, 0.1, 0.7}
	for _, c := range []struct {
		name string
		see  func(Normal)
	}{
		{"Observe", func(g Normal) { g.Observe(h, 1, 0.5) }},
		{"ObserveRobust", func(g Normal) { g.ObserveRobust(h, 1, 0.5, outliers(0.05, 25, 0)) }},
		{"ObserveWithin", func(g Normal) { g.ObserveWithin(h, -2, 2, 0.5) }},
		{"ObserveOutside", func(g Normal) { g.ObserveOutside(h, -2, 2, 0.5, 0.1) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			g := start.Clone()
			b.ReportAllocs()
			for b.Loop() {
				g.CopyFrom(&start)
				c.see(g)
			}
		})
	}
}

func outliers(p, w, wrong float64) *Outliers {
	o := NewOutliers(p, w, wrong)
	return &o
}
