package fit

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var inf = math.Inf(1)

func TestTruncatedNormalClosedForms(t *testing.T) {
	// The half normal: mean √(2/π), variance 1 − 2/π.
	logMass, m, v := TruncatedNormal(3, 2, 3, inf)
	assert.InDelta(t, -math.Ln2, logMass, 1e-15)
	assert.InDelta(t, 3+2*math.Sqrt(2/math.Pi), m, 1e-14)
	assert.InDelta(t, 4*(1-2/math.Pi), v, 1e-14)

	// One standard deviation either side: mass erf(1/√2), variance 1 − 2φ(1)/mass.
	mass := math.Erf(1 / math.Sqrt2)
	logMass, m, v = TruncatedNormal(0, 1, -1, 1)
	assert.InDelta(t, math.Log(mass), logMass, 1e-15)
	assert.InDelta(t, 0, m, 1e-15)
	assert.InDelta(t, 1-2*NormalPDF(1)/mass, v, 1e-14)

	// Nothing cut off.
	logMass, m, v = TruncatedNormal(-5, 3, -inf, inf)
	assert.Equal(t, [3]float64{0, -5, 9}, [3]float64{logMass, m, v})
}

func TestTruncatedNormalFarOutAndNarrow(t *testing.T) {
	// Mills' ratio in the far tail: with λ = φ(a)/Q(a) and large a,
	// λ − a = 1/a − 2/a³ + 10/a⁵ − …, variance = 1/a² − 6/a⁴ + 50/a⁶ − … (Abramowitz & Stegun 26.2.12).
	for _, a := range []float64{50, 1e3, 1e6, 1e9} {
		logMass, m, v := TruncatedNormal(0, 1, a, inf)
		assert.InEpsilon(t, NormalLogCDF(-a), logMass, 1e-14)
		i := 1 / (a * a)
		// The next terms of the two series are below 80/a⁶ and 600/a⁶ of the first.
		tol := max(600*i*i*i, 1e-12)
		assert.InEpsilon(t, (1-2*i+10*i*i)/a, m-a, max(tol, 4*a*math.Nextafter(a, inf)-4*a*a), "mean at %g", a)
		assert.InEpsilon(t, (1-6*i+50*i*i)*i, v, tol, "variance at %g", a)
	}
	// A sliver is uniform: variance width²/12.
	for _, lo := range []float64{-0.3, 0, 2, -7} {
		const width = 1e-5
		logMass, m, v := TruncatedNormal(0, 1, lo, lo+width)
		assert.InDelta(t, math.Log(NormalPDF(lo+width/2)*width), logMass, 1e-9)
		assert.InDelta(t, lo+width/2, m, 1e-9)
		assert.InEpsilon(t, width*width/12, v, 1e-5)
	}
}

// Against composite Simpson sums of the plain definition, on both sides of every
// change of method.
func TestTruncatedNormalAgainstQuadrature(t *testing.T) {
	for _, c := range [][2]float64{
		{-9, 9}, {-1, 0.5}, {-0.5, 0.49}, {-0.5, 0.51}, {0.99, 5}, {1.01, 5}, {0.9, 1.8}, {1.5, 1.9},
		{3, 3.5}, {3.9, 5}, {3.99, 9}, {4.01, 9}, {-3, -1}, {-8, -5}, {7, 12}, {-2, 0}, {0, 2.5},
	} {
		const n = 20000
		h := (c[1] - c[0]) / n
		var s0, s1, s2 float64
		for i := 0; i <= n; i++ {
			w := 2.0 + 2*float64(i%2)
			if i == 0 || i == n {
				w = 1
			}
			x := c[0] + float64(i)*h
			f := w * h / 3 * NormalPDF(x)
			s0, s1, s2 = s0+f, s1+f*x, s2+f*x*x
		}
		mean := s1 / s0
		logMass, m, v := TruncatedNormal(10, 2, 10+2*c[0], 10+2*c[1])
		// 1e-9: what rounding leaves of the variance of a thin slice.
		assert.InDelta(t, math.Log(s0), logMass, 1e-11, "%v", c)
		assert.InDelta(t, 10+2*mean, m, 1e-11, "%v", c)
		assert.InEpsilon(t, 4*(s2/s0-mean*mean), v, 1e-9, "%v", c)
	}
}

func TestTruncatedNormalEdges(t *testing.T) {
	logMass, m, v := TruncatedNormal(0, 1, 2, 2)
	assert.Equal(t, [3]float64{-inf, 2, 0}, [3]float64{logMass, m, v})
	logMass, m, v = TruncatedNormal(1, 0, 0, 2)
	assert.Equal(t, [3]float64{0, 1, 0}, [3]float64{logMass, m, v})
	logMass, m, v = TruncatedNormal(5, 0, 0, 2)
	assert.Equal(t, [3]float64{-inf, 2, 0}, [3]float64{logMass, m, v})

	// Mirrored intervals give mirrored moments.
	for _, c := range [][2]float64{{-1, 4}, {3, 4}, {0.2, inf}, {12, 12.01}} {
		l1, m1, v1 := TruncatedNormal(0, 1, c[0], c[1])
		l2, m2, v2 := TruncatedNormal(0, 1, -c[1], -c[0])
		require.Equal(t, [3]float64{l1, m1, v1}, [3]float64{l2, -m2, v2})
	}
}

func BenchmarkTruncatedNormal(b *testing.B) {
	for _, c := range []struct {
		name   string
		lo, hi float64
	}{{"near", -1, 2}, {"far", 8, 9}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				TruncatedNormal(0, 1, c.lo, c.hi)
			}
		})
	}
}
