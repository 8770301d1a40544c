package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// walkRecord filters a random walk with noise and keeps how each state was joined to
// the one before it.
func walkRecord(y []float64, start, walk, noise float64) (Normal, []Backward) {
	g := NewNormal(2) // the level now, and at the point before
	g.Reset(0, 0, start)
	var back []Backward
	for i, v := range y {
		if i > 0 {
			g.SetLinear(1, []float64{1, 0})
			g.AddVariance(0, walk)
		}
		g.Observe([]float64{1}, v, noise)
		if i > 0 {
			back = append(back, NewBackward(&g, 1))
		}
	}
	return g, back
}

// jointWalk is the exact answer: all levels are jointly normal, with covariance
// start + walk·min(i, j), and conditioned on all measurements at once.
func jointWalk(y []float64, start, walk, noise float64) Normal {
	n := len(y)
	g := NewNormal(n)
	for i := range n {
		for j := range n {
			g.Cov[i*n+j] = start + walk*float64(min(i, j))
		}
	}
	for i, v := range y {
		h := make([]float64, n)
		h[i] = 1
		g.Observe(h, v, noise)
	}
	return g
}

// Against the exact joint solution, to rounding: mean, variance and covariance of
// neighbours all follow from the kernels.
func TestBackwardIsTheExactSmootherOfARandomWalk(t *testing.T) {
	t.Parallel()
	y := []float64{0.3, math.NaN(), 1.9, 0.2, -1.1, math.NaN(), math.NaN(), 2.5, 2.4}
	const start, walk, noise = 4.0, 0.7, 0.4
	last, back := walkRecord(y, start, walk, noise)
	exact := jointWalk(y, start, walk, noise)
	n := len(y)
	mean, variance := last.Mean[0], last.Var(0)
	for i := n - 1; i > 0; i-- {
		b := back[i-1]
		g := b.gain[0]
		assert.InDelta(t, exact.Cov[(i-1)*n+i], g*variance, 1e-12, "covariance of %d and %d", i-1, i)
		to := []float64{0}
		b.Mean([]float64{mean}, to)
		mean, variance = to[0], g*g*variance+b.root[0]*b.root[0]
		assert.InDelta(t, exact.Mean[i-1], mean, 1e-12, "mean at %d", i-1)
		assert.InDelta(t, exact.Var(i-1), variance, 1e-12, "variance at %d", i-1)
	}
}

// Drawn courses have the moments of the exact solution. With 20,000 draws the
// standard error of a mean is below 0.01 and that of a variance below 0.02 here; five
// of them are allowed.
func TestBackwardDrawsHaveTheExactMoments(t *testing.T) {
	t.Parallel()
	y := []float64{0.3, math.NaN(), 1.9, -0.2}
	last, back := walkRecord(y, 4, 0.7, 0.4)
	exact := jointWalk(y, 4, 0.7, 0.4)
	rng := rand.New(rand.NewPCG(1, 2))
	const draws = 20000
	n := len(y)
	sum, squares := make([]float64, n), make([]float64, n)
	for range draws {
		x := []float64{last.Mean[0] + math.Sqrt(last.Var(0))*rng.NormFloat64()}
		for i := n - 1; ; i-- {
			sum[i] += x[0]
			squares[i] += x[0] * x[0]
			if i == 0 {
				break
			}
			back[i-1].Draw(x, x, rng)
		}
	}
	for i := range n {
		m := sum[i] / draws
		assert.InDelta(t, exact.Mean[i], m, 0.05)
		assert.InDelta(t, exact.Var(i), squares[i]/draws-m*m, 0.1)
	}
}

// A component that is known exactly, and one that is the sum of two others, neither
// break a kernel nor make it say less than the rest does.
func TestBackwardPassesOverWhatIsKnown(t *testing.T) {
	t.Parallel()
	g := NewNormal(6) // x, 3, 2x now; the same before
	g.Reset(0, 1, 2)
	g.Reset(1, 3, 0)
	g.SetLinear(2, []float64{2})
	g.SetLinear(3, []float64{1})
	g.SetLinear(4, []float64{0, 1})
	g.SetLinear(5, []float64{0, 0, 1})
	b := NewBackward(&g, 3)
	to := make([]float64, 3)
	b.Draw([]float64{5, 3, 10}, to, rand.New(rand.NewPCG(1, 1)))
	assert.InDeltaSlice(t, []float64{5, 3, 10}, to, 1e-6)
}

// What comes later never makes an earlier state less certain.
func TestSmoothedVarianceIsAtMostTheFiltered(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5).Draw(t, "n")
		g := NewNormal(2 * n)
		for range n { // any covariance: of sums of independent parts
			for range 2 * n {
				h := rapid.SliceOfN(rapid.Float64Range(-2, 2), n, n).Draw(t, "h")
				for a := range n {
					for b := range n {
						g.Cov[a*2*n+b] += h[a] * h[b]
					}
				}
			}
		}
		for i := range n {
			h := make([]float64, n)
			h[i] = 1
			g.SetLinear(n+i, h)
		}
		before := make([]float64, n)
		for i := range n {
			before[i] = g.Var(n + i)
			g.AddVariance(i, rapid.Float64Range(0, 3).Draw(t, "walk"))
		}
		h := rapid.SliceOfN(rapid.Float64Range(-2, 2), n, n).Draw(t, "seen")
		g.Observe(h, rapid.Float64Range(-5, 5).Draw(t, "y"), rapid.Float64Range(0.1, 3).Draw(t, "noise"))
		b := NewBackward(&g, n)
		for i := range n { // Var x = G·S·Gᵀ + L·Lᵀ
			v := 0.0
			for a := range n {
				for c := range n {
					v += b.gain[i*n+a] * g.Cov[a*2*n+c] * b.gain[i*n+c]
				}
				v += b.root[i*n+a] * b.root[i*n+a]
			}
			require.LessOrEqual(t, v, before[i]*(1+1e-6)+1e-9)
			require.InDelta(t, g.Var(n+i), v, 1e-6*(1+v))
		}
	})
}
