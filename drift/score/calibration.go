package score

import "math"

// PIT returns where y falls among the members, as the share of them below it:
// even on 0 to 1 if the forecasts are calibrated. A member equal to y counts
// half. Members that stand for "beyond the horizon" may be plus infinity.
func PIT(y float64, members []float64) float64 {
	var below float64
	for _, m := range members {
		switch {
		case m < y:
			below++
		case m == y:
			below += 0.5
		}
	}
	return below / float64(len(members))
}

// ClopperPearson returns the exact band, at a confidence such as 0.95, of the
// chance behind k successes in n trials: whatever the chance, the band holds it
// at least that often. n is at least 1. Clopper and Pearson (1934), Biometrika
// 26, 404.
func ClopperPearson(k, n int, confidence float64) (low, high float64) {
	alpha := (1 - confidence) / 2
	return lowestChance(k, n, alpha), 1 - lowestChance(n-k, n, alpha)
}

// lowestChance returns the chance of success at which a share alpha of series
// of n trials has k or more successes.
func lowestChance(k, n int, alpha float64) float64 {
	if k == 0 {
		return 0
	}
	low, high := 0.0, 1.0
	for range 60 { // halvings, past the last bit of a float64
		middle := (low + high) / 2
		if atLeast(k, n, middle) < alpha {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// atLeast returns the chance of k or more successes in n trials, each with
// chance p strictly between 0 and 1.
func atLeast(k, n int, p float64) float64 {
	logP, logQ := math.Log(p), math.Log1p(-p)
	var sum float64
	for i := k; i <= n; i++ {
		sum += math.Exp(logChoose(n, i) + float64(i)*logP + float64(n-i)*logQ)
	}
	return sum
}

// logChoose returns the logarithm of n over k.
func logChoose(n, k int) float64 {
	all, _ := math.Lgamma(float64(n + 1))
	in, _ := math.Lgamma(float64(k + 1))
	out, _ := math.Lgamma(float64(n - k + 1))
	return all - in - out
}
