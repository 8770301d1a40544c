package fit

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/mat"
)

// Laplace approximates the distribution of a log density f around its top x by
// a normal: the covariance is the inverse of the curvature, by central
// differences with the given steps. x is not changed. The error says that f is
// not curved downwards there in every direction.
// Source: Tierney & Kadane (1986), J. Am. Stat. Assoc. 81:82.
func Laplace(f func([]float64) float64, x, steps []float64) (Normal, error) {
	n := len(x)
	if n == 0 || len(steps) != n {
		return Normal{}, fmt.Errorf("%d steps do not fit %d values", len(steps), n)
	}
	at := func(moves ...int) float64 {
		y := append([]float64(nil), x...)
		for _, m := range moves {
			// Moves are ±(index+1).
			if m > 0 {
				y[m-1] += steps[m-1]
			} else {
				y[-m-1] -= steps[-m-1]
			}
		}
		return f(y)
	}
	top := at()
	up, down := make([]float64, n), make([]float64, n)
	info := mat.NewSymDense(n, nil)
	for i := range n {
		up[i], down[i] = at(i+1), at(-i-1)
		info.SetSym(i, i, -(up[i]-2*top+down[i])/(steps[i]*steps[i]))
	}
	for i := range n {
		for j := range i {
			both := at(i+1, j+1) - up[i] - up[j] + top
			neither := at(-i-1, -j-1) - down[i] - down[j] + top
			info.SetSym(i, j, -(both+neither)/(2*steps[i]*steps[j]))
		}
	}
	cov, ok := inverse(info)
	if !ok {
		return Normal{}, errors.New("the log density is not curved downwards in every direction")
	}
	out := NewNormal(n)
	copy(out.Mean, x)
	for i := range n {
		for j := range n {
			out.Cov[i*n+j] = cov.At(i, j)
		}
	}
	return out, nil
}
