// Package score has proper scoring rules for forecasts, and what tells whether stated
// chances and intervals are calibrated.
//
// Every rule is negatively oriented: the forecast that states what the forecaster
// believes has the least expected score. Source: Gneiting and Raftery (2007), Journal
// of the American Statistical Association 102, 359. Scores are in the unit of the
// quantity that was forecast, but for [Brier], which has none. Arguments are not
// checked and stay as they are.
package score

import (
	"math"
	"slices"

	"arcdrift/drift/fit"
)

// Pinball returns the loss of having said that y stays below quantile with
// chance tau, in units of y.
func Pinball(y, quantile, tau float64) float64 {
	if y < quantile {
		return (1 - tau) * (quantile - y)
	}
	return tau * (y - quantile)
}

// Winkler returns the score of having said that y falls between low and high
// but for a chance of alpha, in units of y: the width of the interval, and
// 2/alpha for every unit y lies outside. It is 2/alpha times the sum of the
// pinball losses of both ends.
func Winkler(y, low, high, alpha float64) float64 {
	return high - low + 2/alpha*(max(low-y, 0)+max(y-high, 0))
}

// Brier returns the score of having given an event this chance.
func Brier(chance float64, happened bool) float64 {
	if happened {
		return (1 - chance) * (1 - chance)
	}
	return chance * chance
}

// CRPSNormal returns the continuous ranked probability score of a normal
// forecast with a positive sd, in units of y. Gneiting and Raftery (2007),
// equation 21.
func CRPSNormal(y, mean, sd float64) float64 {
	z := (y - mean) / sd
	return sd * (z*(2*fit.NormalCDF(z)-1) + 2*fit.NormalPDF(z) - 1/math.Sqrt(math.Pi))
}

// CRPS returns the continuous ranked probability score of the forecast that
// the members, equally likely and at least one, are all that can happen: the
// mean distance to y less half the mean distance between two members drawn with
// replacement. Members are finite and in any order.
func CRPS(y float64, members []float64) float64 {
	n := float64(len(members))
	return distance(y, members) - pairs(members)/(n*n)
}

// CRPSFair returns the same score of the distribution the members, at least
// two, were drawn from: free of the penalty a small draw pays for being small.
// Ferro (2014), Quarterly Journal of the Royal Meteorological Society 140, 1917.
func CRPSFair(y float64, members []float64) float64 {
	n := float64(len(members))
	return distance(y, members) - pairs(members)/(n*(n-1))
}

// distance is the mean distance of the members to y.
func distance(y float64, members []float64) float64 {
	var sum float64
	for _, m := range members {
		sum += math.Abs(m - y)
	}
	return sum / float64(len(members))
}

// pairs is the sum of distances over all pairs of members.
func pairs(members []float64) float64 {
	sorted := slices.Sorted(slices.Values(members))
	var sum float64
	for i, m := range sorted {
		// i members lie below this one, n-1-i above it.
		sum += float64(2*i-len(sorted)+1) * m
	}
	return sum
}

// Mean returns the mean of scores under weights, which is how outcomes that
// were never seen are made up for: a truth that could have been hidden by
// censoring counts with one over its chance of having been seen, a hidden one
// with 0. Graf, Schmoor, Sauerbrei and Schumacher (1999), Statistics in
// Medicine 18, 2529. Both have the same length; without any weight the mean is
// not a number.
func Mean(scores, weights []float64) float64 {
	var sum, total float64
	for i, s := range scores {
		if weights[i] == 0 {
			continue // a hidden truth has no score, not even a finite one
		}
		sum += weights[i] * s
		total += weights[i]
	}
	return sum / total
}
