package fit

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/mat"
)

// Laplace approximates the distribution with log density f around its mode x (n) by a
// normal distribution of mean x. The covariance is the inverse of the negative Hessian,
// by central differences with the n steps. x stays as it is. It is an error if the
// Hessian is not negative definite.
// Source: Tierney & Kadane (1986), J. Am. Stat. Assoc. 81:82.
func Laplace(f func([]float64) float64, x, steps []float64) (Normal, error) {
	n := len(x)
	if n == 0 || len(steps) != n {
		return Normal{}, fmt.Errorf("the numbers of steps and of values must be equal, not %d and %d", len(steps), n)
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
		return Normal{}, errors.New("the log density has no maximum here: its Hessian is not negative definite")
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
