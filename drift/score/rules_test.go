package score_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/fit"
	"arcdrift/drift/score"
)

// exact is the tolerance where only rounding can differ.
const exact = 1e-12

func TestPinball(t *testing.T) {
	// By hand from the definition.
	for _, c := range []struct{ y, quantile, tau, loss float64 }{
		{10, 8, .9, 1.8},
		{6, 8, .9, .2},
		{10, 8, .1, .2},
		{6, 8, .05, 1.9},
		{8, 8, .3, 0},
	} {
		assert.InDelta(t, c.loss, score.Pinball(c.y, c.quantile, c.tau), exact)
	}
}

func TestWinkler(t *testing.T) {
	// By hand from the definition.
	for _, c := range []struct{ y, low, high, alpha, score float64 }{
		{5, 2, 8, .1, 6},
		{1, 2, 8, .1, 26},
		{9.5, 2, 8, .1, 36},
		{2.5, -1.96, 1.96, .05, 25.52},
	} {
		assert.InDelta(t, c.score, score.Winkler(c.y, c.low, c.high, c.alpha), exact)
	}
}

func TestBrier(t *testing.T) {
	assert.InDelta(t, .04, score.Brier(.8, true), exact)
	assert.InDelta(t, .64, score.Brier(.8, false), exact)
	assert.Zero(t, score.Brier(1, true))
	// Proper: the expected score of a forecast f of an event of chance p is
	// p(1-p) + (p-f)², least at f = p.
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		f := rapid.Float64Range(0, 1).Draw(t, "f")
		expected := p*score.Brier(f, true) + (1-p)*score.Brier(f, false)
		assert.InDelta(t, p*(1-p)+(p-f)*(p-f), expected, exact)
	})
}

func TestCRPSNormal(t *testing.T) {
	// Computed from the closed form, and the last also by quadrature of the
	// definition.
	for _, c := range []struct{ y, mean, sd, score float64 }{
		{0, 0, 1, .233694977255},
		{1, 0, 1, .602441357628},
		{-2, 0, 1, 1.452791821686},
		{3, 1, 2, 1.204882715255},
		{10, 12, .5, 1.717912353485},
		{.3, .25, .05, .030122067881},
	} {
		assert.InDelta(t, c.score, score.CRPSNormal(c.y, c.mean, c.sd), exact)
	}
}

// expected is the mean of a score over a standard normal truth, by the
// trapezoid rule from -9 to 9; the scores have at most kinks, which leave an
// error of the square of the step.
func expected(of func(y float64) float64) float64 {
	const step = 1e-3
	var sum float64
	for i := -9000; i <= 9000; i++ {
		y := step * float64(i)
		sum += step * fit.NormalPDF(y) * of(y)
	}
	return sum
}

func TestExpectedScoresOfANormalTruth(t *testing.T) {
	// 1/sqrt(π) and the computed price of a spread twice or half the true one.
	for sd, want := range map[float64]float64{1: .564189584, 2: .655744949, .5: .609967266} {
		got := expected(func(y float64) float64 { return score.CRPSNormal(y, 0, sd) })
		assert.InDelta(t, want, got, 1e-9, "sd %v", sd)
	}
	edge := fit.NormalQuantile(.95)
	got := expected(func(y float64) float64 { return score.Winkler(y, -edge, edge, .1) })
	assert.InDelta(t, 4.125425615, got, 1e-6)
}

func TestCRPSOfMembers(t *testing.T) {
	members := []float64{1.2, .4, -.7, 2.1, .9}
	// By hand: a mean distance of .8, less 12.8 between the pairs over 25 or 20.
	assert.InDelta(t, .288, score.CRPS(.5, members), exact)
	assert.InDelta(t, .16, score.CRPSFair(.5, members), exact)
	assert.Equal(t, []float64{1.2, .4, -.7, 2.1, .9}, members, "left as they were")
	assert.Equal(t, 2.0, score.CRPS(3, []float64{1}), "one member: the absolute error")

	// The quantiles of a distribution stand for it: here an exponential of mean
	// 5. The value is computed from the distribution's own closed form; n
	// quantiles miss a tail that is worth about 1/n of the mean.
	const n = 20000
	exponential := make([]float64, n)
	for i := range exponential {
		exponential[i] = -5 * math.Log1p(-(float64(i)+.5)/n)
	}
	assert.InDelta(t, .988116360940, score.CRPS(3, exponential), 5./n)
}

func drawMembers(t *rapid.T) []float64 {
	return rapid.SliceOfN(rapid.Float64Range(-100, 100), 2, 40).Draw(t, "members")
}

func TestCRPSIsTheMeanPinballLoss(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		members := drawMembers(t)
		y := rapid.Float64Range(-150, 150).Draw(t, "y")
		// Twice the pinball loss over all levels (Laio and Tamea 2007,
		// Hydrology and Earth System Sciences 11, 1267). Within one member's
		// share of the levels the loss is straight, so its middle is its mean.
		n := float64(len(members))
		var sum float64
		for i, m := range sorted(members) {
			sum += 2 * score.Pinball(y, m, (float64(i)+.5)/n) / n
		}
		assert.InDelta(t, sum, score.CRPS(y, members), 1e-10)
		assert.LessOrEqual(t, score.CRPSFair(y, members), score.CRPS(y, members)+1e-10)
	})
}

func TestCRPSFairDoesNotDependOnTheSizeOfTheDraw(t *testing.T) {
	// The mean over every pair drawn without replacement is that of all.
	rapid.Check(t, func(t *rapid.T) {
		members := drawMembers(t)
		y := rapid.Float64Range(-150, 150).Draw(t, "y")
		var sum, count float64
		for i, a := range members {
			for _, b := range members[i+1:] {
				sum += score.CRPSFair(y, []float64{a, b})
				count++
			}
		}
		assert.InDelta(t, sum/count, score.CRPSFair(y, members), 1e-10)
	})
}

func TestWinklerIsTheLossOfBothEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := rapid.Float64Range(-150, 150).Draw(t, "y")
		low := rapid.Float64Range(-100, 100).Draw(t, "low")
		high := low + rapid.Float64Range(0, 100).Draw(t, "width")
		alpha := rapid.Float64Range(.01, .9).Draw(t, "alpha")
		ends := score.Pinball(y, low, alpha/2) + score.Pinball(y, high, 1-alpha/2)
		assert.InDelta(t, 2/alpha*ends, score.Winkler(y, low, high, alpha), 1e-9)
	})
}

func TestMean(t *testing.T) {
	assert.InDelta(t, 2.0, score.Mean([]float64{1, 2, 3}, []float64{1, 1, 1}), exact)
	assert.InDelta(t, 2.5, score.Mean([]float64{1, 2, 3}, []float64{1, 0, 3}), exact)
	assert.Equal(t, 1.0, score.Mean([]float64{1, math.NaN()}, []float64{2, 0}), "a hidden truth has no score")
	assert.True(t, math.IsNaN(score.Mean(nil, nil)))
}

// Truths beyond a limit drawn at random are hidden. The plain mean of what is
// left leans to the short ones; weights of one over the chance of being seen
// give back the mean of all.
func TestMeanUndoesCensoring(t *testing.T) {
	// Truth and limit independent and even on 0 to 1, laid out as a grid: a
	// truth y is seen if the limit is above it, with chance 1-y.
	const n = 400
	var seen, weights []float64
	for i := range n {
		for j := range n {
			y, limit := (float64(i)+.5)/n, (float64(j)+.75)/n
			if y < limit {
				seen = append(seen, y)
				weights = append(weights, 1/(1-y))
			}
		}
	}
	even := make([]float64, len(seen))
	for i := range even {
		even[i] = 1
	}
	assert.InDelta(t, 1./3, score.Mean(seen, even), 2./n)
	assert.InDelta(t, 1./2, score.Mean(seen, weights), 2./n)
}
