package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// RunChance returns the probability that n independent trials, each failing with
// probability q, contain a run of at least k failures. It is the exact recursion
//
//	P_m = P_{m−1} + (1−q)·q^k·(1 − P_{m−k−1}),  P_k = q^k,
//
// which loses no digits by cancellation: the first run ends at trial m if the last k
// trials failed, the one before them did not, and no run came earlier. It is an error if
// k is below 1 or q outside [0, 1]. Source: Feller, An Introduction to Probability Theory
// 1 (1968), XIII.7.
func RunChance(n, k int, q float64) (float64, error) {
	if err := checkRun(k, q); err != nil {
		return 0, err
	}
	if n < k {
		return 0, nil
	}
	p := make([]float64, n+1)
	run := math.Pow(q, float64(k))
	p[k] = run
	for m := k + 1; m <= n; m++ {
		p[m] = p[m-1] + (1-q)*run*(1-p[m-k-1])
	}
	return min(p[n], 1), nil
}

// TrialsToRun returns the mean and the standard deviation of the number of
// trials up to and including the first run of k failures, each trial failing
// with probability q; both are infinite for q = 0. Source: as RunChance.
func TrialsToRun(k int, q float64) (mean, sd float64, err error) {
	if err := checkRun(k, q); err != nil {
		return 0, 0, err
	}
	p := 1 - q
	run := math.Pow(q, float64(k))
	switch {
	case run == 0:
		return math.Inf(1), math.Inf(1), nil
	case p == 0:
		return float64(k), 0, nil
	}
	x := 1 / (p * run)
	variance := x*x - float64(2*k+1)*x - q/(p*p)
	return (1 - run) * x, math.Sqrt(max(variance, 0)), nil
}

func checkRun(k int, q float64) error {
	if k < 1 {
		return fmt.Errorf("a run must have at least one failure, not %d", k)
	}
	if !(q >= 0 && q <= 1) {
		return fmt.Errorf("the chance of a failure must lie between 0 and 1, not be %g", q)
	}
	return nil
}

// Beta is the beta distribution of a proportion of failures, as after A failures and B
// successes. Both are above 0.
type Beta struct {
	A, B float64
}

// Update returns the posterior after fails failures in n more trials. d stays as it is.
func (d Beta) Update(fails, n int) (Beta, error) {
	if !(d.A > 0) || !(d.B > 0) {
		return d, fmt.Errorf("a beta distribution needs two counts above 0, not %g and %g", d.A, d.B)
	}
	if fails < 0 || n < fails {
		return d, fmt.Errorf("there cannot be %d failures in %d trials", fails, n)
	}
	return Beta{d.A + float64(fails), d.B + float64(n-fails)}, nil
}

// Mean returns the expected proportion: the chance that the next trial fails.
func (d Beta) Mean() float64 { return d.A / (d.A + d.B) }

// Var returns the variance of the proportion.
func (d Beta) Var() float64 {
	n := d.A + d.B
	return d.A * d.B / (n * n * (n + 1))
}

// CDF returns the probability that the proportion is at most q.
func (d Beta) CDF(q float64) float64 {
	return mathext.RegIncBeta(d.A, d.B, min(max(q, 0), 1))
}

// Quantile returns the p-quantile of the proportion, 0 ≤ p ≤ 1.
func (d Beta) Quantile(p float64) float64 {
	return mathext.InvRegIncBeta(d.A, d.B, min(max(p, 0), 1))
}

// AllFail returns the probability that the next k trials all fail, averaged over d.
func (d Beta) AllFail(k int) float64 {
	p := 1.0
	for i := range k {
		p *= (d.A + float64(i)) / (d.A + d.B + float64(i))
	}
	return p
}

// RunChance returns the probability of a run of at least k failures in n trials,
// averaged over d: the mean of [RunChance] at the medians of twenty parts of d of equal
// probability. Errors are as there.
func (d Beta) RunChance(n, k int) (float64, error) {
	const slices = 20
	var sum float64
	for i := range slices {
		p, err := RunChance(n, k, d.Quantile((float64(i)+0.5)/slices))
		if err != nil {
			return 0, err
		}
		sum += p
	}
	return sum / slices, nil
}
