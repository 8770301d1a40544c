package fit

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Of a normal density the approximation is the normal itself, up to the rounding
// of second differences: 1e-16/step² of values near 1 is 1e-12.
func TestLaplaceOfANormalIsThatNormal(t *testing.T) {
	cov := [2][2]float64{{2, 0.6}, {0.6, 0.5}}
	det := cov[0][0]*cov[1][1] - cov[0][1]*cov[1][0]
	f := func(x []float64) float64 {
		a, b := x[0]-1, x[1]+2
		return -(cov[1][1]*a*a - 2*cov[0][1]*a*b + cov[0][0]*b*b) / det / 2
	}
	x := []float64{1, -2}
	g, err := Laplace(f, x, []float64{0.1, 0.05})
	require.NoError(t, err)
	assert.Equal(t, []float64{1, -2}, x)
	for i := range 2 {
		for j := range 2 {
			assert.InDelta(t, cov[i][j], g.Cov[2*i+j], 1e-9)
		}
	}
}

// The gamma density with shape a and rate 1 has its mode at a−1 and curvature
// −1/(a−1) there (closed form); central differences are off by the fourth
// derivative times step²/12.
func TestLaplaceOfAGamma(t *testing.T) {
	const a, step = 30.0, 0.5
	g, err := Laplace(func(x []float64) float64 { return (a-1)*math.Log(x[0]) - x[0] }, []float64{a - 1}, []float64{step})
	require.NoError(t, err)
	assert.InDelta(t, a-1, g.Cov[0], (a-1)*(a-1)*6/math.Pow(a-1, 3)*step*step/12*1.5)
}

func TestLaplaceRefusesADensityWithoutAMaximum(t *testing.T) {
	_, err := Laplace(func(x []float64) float64 { return x[0] * x[0] }, []float64{0}, []float64{0.1})
	assert.Error(t, err)
	_, err = Laplace(func([]float64) float64 { return 0 }, []float64{0, 1}, []float64{0.1})
	assert.EqualError(t, err, "the numbers of steps and of values must be equal, not 1 and 2")
}
