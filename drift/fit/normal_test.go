package fit_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/fit"
)

func TestNormalCDF(t *testing.T) {
	// ln Φ computed to 60 digits with mpmath's erfc; Φ(1) and Φ(-2) are also
	// in Abramowitz and Stegun (1964), Table 26.1.
	for _, c := range []struct{ z, logP float64 }{
		{9, -1.12858840595384065e-19},
		{6, -9.86587645524375732e-10},
		{3, -0.0013508099647481938},
		{1, -0.17275377902344989},
		{-0.5, -1.17591176159361861},
		{-2, -3.78318433368203195},
		{-8, -35.0134371599145499},
		{-15, -116.131384845711695},
		{-19.9, -201.917167707332598},
		{-20, -203.917155371097264},
		{-20.1, -205.927118401948246},
		{-25, -316.639408008020259},
		{-40, -804.608442013753788},
		{-1000, -500007.826694812184},
		{-1e5, -5000000012.431864},
	} {
		// The argument's last bit alone moves Φ by z²·1e-16 of itself, so the
		// logarithm can be told to a few 1e-16 of its own size, no better.
		assert.InEpsilon(t, c.logP, fit.NormalLogCDF(c.z), 1e-14, "ln Φ(%v)", c.z)
		if c.z > -30 {
			assert.InEpsilon(t, math.Exp(c.logP), fit.NormalCDF(c.z), 2e-13, "Φ(%v)", c.z)
		}
	}
	assert.Equal(t, 0.5, fit.NormalCDF(0))
	assert.InDelta(t, 0.841344746, fit.NormalCDF(1), 5e-10)
	assert.InDelta(t, 0.022750132, fit.NormalCDF(-2), 5e-10)
	assert.Equal(t, math.Inf(-1), fit.NormalLogCDF(math.Inf(-1)))
	assert.Zero(t, fit.NormalLogCDF(math.Inf(1)))
	assert.True(t, math.IsNaN(fit.NormalLogCDF(math.NaN())))
}

func TestNormalQuantile(t *testing.T) {
	// Roots of ln Φ(z) = ln p, computed to 60 digits with mpmath.
	for _, c := range []struct{ p, z float64 }{
		{1e-300, -37.0470962993611992},
		{1e-20, -9.26234008979840757},
		{1e-5, -4.26489079392282463},
		{0.001, -3.09023230616781354},
		{0.025, -1.95996398454005424},
		{0.3, -0.524400512708040784},
		{0.9, 1.28155156554460047},
		{0.975, 1.95996398454005424},
	} {
		// Wichura's AS 241 promises about 1 part in 1e16.
		assert.InEpsilon(t, c.z, fit.NormalQuantile(c.p), 2e-15, "p = %v", c.p)
	}
	assert.Equal(t, math.Inf(-1), fit.NormalQuantile(0))
	assert.Equal(t, math.Inf(1), fit.NormalQuantile(1))
	assert.Panics(t, func() { fit.NormalQuantile(1.1) })
}

func TestNormalAgreesWithItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.Float64Range(-36, 5).Draw(t, "z")
		// Above 5 the probability is within 3e-7 of 1 and no longer holds z.
		assert.InDelta(t, z, fit.NormalQuantile(fit.NormalCDF(z)), 1e-9)
		assert.InDelta(t, 1, fit.NormalCDF(z)+fit.NormalCDF(-z), 1e-15)

		// The density is the slope: d ln Φ/dz = φ/Φ, by central difference,
		// whose own error is about h² times the third derivative (below 1).
		const h = 1e-4
		slope := (fit.NormalLogCDF(z+h) - fit.NormalLogCDF(z-h)) / (2 * h)
		assert.InDelta(t, math.Exp(math.Log(fit.NormalPDF(z))-fit.NormalLogCDF(z)), slope, 1e-7)
	})
}

func TestNormalLogCDFHasNoSeam(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(-21, -19).Draw(t, "a")
		step := rapid.Float64Range(1e-9, 1).Draw(t, "step")
		assert.Less(t, fit.NormalLogCDF(a), fit.NormalLogCDF(a+step))
	})
}
