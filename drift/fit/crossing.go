package fit

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Crossing is the place x at which a straight line, fitted to points, reaches a height,
// with its uncertainty. Make one with [NewCrossing].
type Crossing struct {
	at, slope, height float64
	n, mean, sxx, s2  float64
}

// NewCrossing fits y = a + b·x to the points xs, ys (n each) by least squares. It needs
// three points and two different x; ok is false otherwise. height is in the unit of y.
// leastSD, in that unit too, is added to the residual standard deviation (as variances):
// it allows for values that were rounded.
func NewCrossing(xs, ys []float64, height, leastSD float64) (c Crossing, ok bool) {
	n := float64(len(xs))
	c.n, c.height = n, height
	var my, sxy, syy float64
	for i := range xs {
		c.mean += xs[i] / n
		my += ys[i] / n
	}
	for i := range xs {
		c.sxx += (xs[i] - c.mean) * (xs[i] - c.mean)
		sxy += (xs[i] - c.mean) * (ys[i] - my)
		syy += (ys[i] - my) * (ys[i] - my)
	}
	if len(xs) < 3 || !(c.sxx > 0) {
		return Crossing{}, false
	}
	c.slope = sxy / c.sxx
	c.at = my - c.slope*c.mean
	c.s2 = max(syy-c.slope*sxy, 0)/(n-2) + leastSD*leastSD
	return c, true
}

// Slope returns the slope of the line, in units of y per unit of x.
func (c Crossing) Slope() float64 { return c.slope }

// By returns the probability that the line has reached the height at x: Student's t
// with n − 2 degrees of freedom for the height of a least-squares line at x
// (Draper & Smith 1998, Applied Regression Analysis, 3rd ed., section 3.1; from
// memory).
func (c Crossing) By(x float64) float64 {
	se := math.Sqrt(c.s2 * (1/c.n + (x-c.mean)*(x-c.mean)/c.sxx))
	z := (c.at + c.slope*x - c.height) / se
	if c.slope < 0 {
		z = -z // it comes from above
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: c.n - 2}.CDF(z)
}
