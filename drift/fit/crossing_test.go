package fit_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/fit"
)

// Where the fitted line itself reaches the height the chance is a half, whichever
// way it goes.
func TestCrossingAtTheLineIsEven(t *testing.T) {
	xs := []float64{0, 1, 2, 3, 4}
	for _, slope := range []float64{2, -2} {
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = 1 + slope*x + []float64{0.1, -0.1, 0, 0.1, -0.1}[i]
		}
		c, ok := fit.NewCrossing(xs, ys, 1+slope*10, 0)
		require.True(t, ok)
		low, high := 8.0, 12.0
		for range 60 {
			mid := (low + high) / 2
			if c.By(mid) < 0.5 {
				low = mid
			} else {
				high = mid
			}
		}
		// y = ȳ + b(x − x̄) by hand.
		mean, my := 2.0, (ys[0]+ys[1]+ys[2]+ys[3]+ys[4])/5
		assert.InDelta(t, mean+(1+slope*10-my)/c.Slope(), low, 1e-7) // the distribution function is good to about 1e-9 there
	}
}

// Of lines with a known height at x, the chance that the height was reached says
// how often it was: the probability integral transform is uniform. 4,000 draws;
// 1.63/√4000 = 0.026 is exceeded once in 100 seeds (Kolmogorov).
func TestCrossingIsAsLikelyAsItSays(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	const draws = 4000
	xs := []float64{0, 1, 2.5, 3, 4.2}
	var below [11]float64
	for range draws {
		ys := make([]float64, len(xs))
		for i, x := range xs {
			ys[i] = 3*x + 0.5*rng.NormFloat64()
		}
		c, ok := fit.NewCrossing(xs, ys, 3*7, 0) // truly reached at 7
		require.True(t, ok)
		p := c.By(7)
		for k := range below {
			if p <= float64(k)/10 {
				below[k]++
			}
		}
	}
	for k := range below {
		assert.InDelta(t, float64(k)/10, below[k]/draws, 0.026)
	}
}

func TestCrossingTakesThreePoints(t *testing.T) {
	_, ok := fit.NewCrossing([]float64{1, 2}, []float64{1, 2}, 5, 0)
	assert.False(t, ok)
	_, ok = fit.NewCrossing([]float64{1, 1, 1}, []float64{1, 2, 3}, 5, 0)
	assert.False(t, ok)
	c, ok := fit.NewCrossing([]float64{1, 2, 3}, []float64{1, 2, 3}, 5, 0.01)
	require.True(t, ok)
	assert.Less(t, c.By(4.5), 0.5)
	assert.Greater(t, c.By(5.5), 0.5)
	assert.False(t, math.IsNaN(c.By(100)))
}
