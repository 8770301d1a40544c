package forecast_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/forecast"
)

// fewDigits is the relative tolerance for values given to nine digits.
const fewDigits = 1e-8

// The inverse Gaussian distribution, computed with scipy's invgauss.
func TestFirstPassageIsInverseGaussian(t *testing.T) {
	for _, c := range []struct {
		distance, drift, noise       float64
		mean                         float64
		q05, q10, q50, q90, q95, cdf float64 // cdf at the mean
	}{
		{10, 1, 1, 10, 5.74132654, 6.4086444, 9.52719583, 14.1973846, 15.8710783, .56160697},
		{2, .05, .3, 40, 7.93648697, 10.1768624, 27.9198903, 84.1776434, 113.273396, .661555872},
		{1, .01, .05, 100, 41.2660171, 48.574485, 89.0496727, 165.33385, 196.05961, .594410641},
		{5, .5, 2, 10, 1.28804437, 1.70661021, 5.68367729, 22.9962425, 33.4624931, .698681312},
	} {
		f := forecast.FirstPassage{Distance: c.distance, Drift: c.drift, Noise: c.noise}
		assert.InEpsilon(t, c.cdf, f.CDF(c.mean), fewDigits, "%+v", f)
		for p, q := range map[float64]float64{.05: c.q05, .1: c.q10, .5: c.q50, .9: c.q90, .95: c.q95} {
			assert.InEpsilon(t, q, f.Quantile(p), fewDigits, "%+v at %v", f, p)
		}
		assert.Equal(t, 1.0, f.Ever())
	}
}

// The random-drift closed form. The values agree with quadrature over the
// drift to 1e-10, with the integral of the density, and with simulation within
// three standard errors, all computed apart from this code.
var randomDrift = []struct {
	name      string
	passage   forecast.FirstPassage
	cdf       map[float64]float64
	density   map[float64]float64
	quantiles map[float64]float64
	ever      float64
}{
	{
		name:      "steep",
		passage:   forecast.FirstPassage{Distance: 10, Drift: 1, DriftSD: .2, Noise: 1},
		cdf:       map[float64]float64{5: .0269158985, 8: .3123489666, 10: .5524058621, 12: .7291901272, 15: .8771370424, 20: .9649745833},
		density:   map[float64]float64{8: .126980016, 10: .106621809},
		quantiles: map[float64]float64{.05: 5.4594688, .1: 6.13037002, .5: 9.52630091, .9: 15.7882037},
		ever:      .9999998766,
	},
	{
		name:      "some never",
		passage:   forecast.FirstPassage{Distance: 2, Drift: .05, DriftSD: .03, Noise: .3},
		cdf:       map[float64]float64{10: .1058028364, 20: .3572282079, 40: .6415854473, 60: .7657834738, 100: .8671139833, 400: .9620016206},
		density:   map[float64]float64{10: .0257398497, 40: .00888515078},
		quantiles: map[float64]float64{.05: 7.63861479, .1: 9.77334476, .5: 27.8602166, .9: 130.077243},
		ever:      .9825094191,
	},
	{
		// Fitted to the laser degradation of Meeker and Escobar (1998), Table
		// C.17: the exponential alone would be e^2915.
		name:      "lasers",
		passage:   forecast.FirstPassage{Distance: 10, Drift: .002037906667, DriftSD: .000417742375, Noise: .010800005606},
		cdf:       map[float64]float64{3000: .0026235033, 4000: .1560282293, 4500: .3450788423, 5000: .5391635692, 6000: .8040386709, 8000: .9660132016},
		quantiles: map[float64]float64{.05: 3581.27043, .1: 3810.68478, .5: 4892.99428, .9: 6745.66203},
	},
}

func TestFirstPassageWithRandomDrift(t *testing.T) {
	for _, c := range randomDrift {
		t.Run(c.name, func(t *testing.T) {
			for at, want := range c.cdf {
				// Ten decimals are given.
				assert.InDelta(t, want, c.passage.CDF(at), 1e-10, "at %v", at)
			}
			for at, want := range c.density {
				assert.InEpsilon(t, want, density(c.passage, at), fewDigits, "at %v", at)
			}
			for p, want := range c.quantiles {
				assert.InEpsilon(t, want, c.passage.Quantile(p), fewDigits, "at %v", p)
			}
			if c.ever > 0 {
				assert.InDelta(t, c.ever, c.passage.Ever(), 1e-10)
			}
		})
	}
}

// density is that of the first passage, from Whitmore (1986).
func density(f forecast.FirstPassage, t float64) float64 {
	spread := f.DriftSD*f.DriftSD*t + f.Noise*f.Noise
	short := f.Distance - f.Drift*t
	return f.Distance / math.Sqrt(2*math.Pi*t*t*t*spread) * math.Exp(-short*short/(2*t*spread))
}

func drawPassage(t *rapid.T) forecast.FirstPassage {
	return forecast.FirstPassage{
		Distance: rapid.Float64Range(.1, 20).Draw(t, "distance"),
		Drift:    rapid.Float64Range(-.5, 2).Draw(t, "drift"),
		DriftSD:  rapid.Float64Range(0, .5).Draw(t, "drift sd"),
		Noise:    rapid.Float64Range(.1, 3).Draw(t, "noise"),
	}
}

func TestFirstPassageGrowsByItsDensity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawPassage(t)
		at := rapid.Float64Range(.05, 200).Draw(t, "t")
		// Simpson's rule over a thousandth of t, at most a thirtieth of the
		// density's own width: its error is the fourth power of that. The
		// exponents reach 1e6 here, so their rounding counts for 1e-9.
		h := at / 2000
		area := h / 3 * (density(f, at-h) + 4*density(f, at) + density(f, at+h))
		assert.InDelta(t, area, f.CDF(at+h)-f.CDF(at-h), 1e-8)
	})
}

func TestFirstPassageQuantileInvertsCDF(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawPassage(t)
		p := rapid.Float64Range(.001, .999).Draw(t, "p")
		q := f.Quantile(p)
		if p >= f.Ever() {
			assert.True(t, math.IsInf(q, 1))
			return
		}
		assert.InDelta(t, p, f.CDF(q), 1e-9)
	})
}

func TestFirstPassageThatMayNeverCome(t *testing.T) {
	// Drift away from the limit: exp(-2·|drift|·distance/σ²), the maximum of a
	// Wiener process with negative drift (Karlin and Taylor 1975, chapter 7).
	away := forecast.FirstPassage{Distance: 2, Drift: -.5, Noise: 1}
	assert.InDelta(t, math.Exp(-2), away.Ever(), 1e-15)
	assert.InDelta(t, math.Exp(-2), away.CDF(1e9), 1e-12)
	assert.True(t, math.IsInf(away.Quantile(.5), 1))

	// No drift at all: the reflection principle, 2·Φ(-distance/(σ√t)).
	still := forecast.FirstPassage{Distance: 1, Noise: 1}
	assert.Equal(t, 1.0, still.Ever())
	assert.Equal(t, 1.0, still.CDF(math.Inf(1)))
	assert.InDelta(t, math.Erfc(1/math.Sqrt2), still.CDF(1), 1e-15)
	assert.Zero(t, still.CDF(0))
	assert.Zero(t, still.Quantile(0))
}
