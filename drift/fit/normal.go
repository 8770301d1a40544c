package fit

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// farTail is the z below which NormalLogCDF uses the asymptotic series in place of
// math.Erfc. There Erfc has not underflowed yet (it does near z = -37.5), and the series
// already has full precision.
const farTail = -20

// NormalPDF returns the standard normal density at z.
func NormalPDF(z float64) float64 {
	return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)
}

// NormalCDF returns P(Z <= z) for a standard normal Z. It keeps its relative
// precision in the lower tail, down to z = -37.
func NormalCDF(z float64) float64 {
	return math.Erfc(-z/math.Sqrt2) / 2
}

// NormalLogCDF returns ln P(Z <= z) for a standard normal Z. It is finite and precise
// for every finite z whose square does not overflow, also where the logarithm of
// NormalCDF is minus infinity.
//
// The far tail is the asymptotic series of Mills' ratio, Abramowitz and Stegun
// (1964) 26.2.12: P(Z <= z) = φ(z)/|z| · (1 - 1/z² + 3/z⁴ - 15/z⁶ + …).
func NormalLogCDF(z float64) float64 {
	switch {
	case z > 0:
		return math.Log1p(-NormalCDF(-z))
	case z >= farTail:
		return math.Log(NormalCDF(z))
	}
	// At |z| = 20 the tenth term is below 1e-17 of the first.
	const terms = 10
	term, tail := 1.0, 0.0
	for k := 1; k <= terms; k++ {
		term *= -float64(2*k-1) / (z * z)
		tail += term
	}
	return -z*z/2 - math.Log(2*math.Pi)/2 - math.Log(-z) + math.Log1p(tail)
}

// NormalQuantile returns the z with P(Z <= z) = p for a standard normal Z:
// minus infinity at 0, plus infinity at 1. It panics when p is outside [0, 1].
func NormalQuantile(p float64) float64 {
	return mathext.NormalQuantile(p)
}
