package score_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/fit"
	"arcdrift/drift/score"
)

func sorted(x []float64) []float64 { return slices.Sorted(slices.Values(x)) }

func TestPIT(t *testing.T) {
	members := []float64{3, 1, 2, 4}
	assert.Equal(t, 0.0, score.PIT(.5, members))
	assert.Equal(t, .5, score.PIT(2.5, members))
	assert.Equal(t, .375, score.PIT(2, members), "a tie counts half")
	assert.Equal(t, 1.0, score.PIT(9, members))
	assert.Equal(t, .5, score.PIT(1e9, []float64{1, 2, math.Inf(1), math.Inf(1)}), "beyond the horizon")

	// The quantiles of a standard normal stand for it, to 1/n: Φ(1) and Φ(-2)
	// of Abramowitz and Stegun (1964), Table 26.1.
	const n = 10000
	normal := make([]float64, n)
	for i := range normal {
		normal[i] = fit.NormalQuantile((float64(i) + .5) / n)
	}
	assert.InDelta(t, .841344746, score.PIT(1, normal), 1./n)
	assert.InDelta(t, .022750132, score.PIT(-2, normal), 1./n)
}

func TestClopperPearson(t *testing.T) {
	// At 95 %, computed with statsmodels; 3 of 12 also with R's binom.test.
	for _, c := range []struct {
		k, n      int
		low, high float64
	}{
		{0, 10, 0, .308497108},
		{1, 10, .002528579, .445016117},
		{3, 12, .054860645, .571858462},
		{5, 50, .033275094, .218135366},
		{10, 100, .049004689, .176222598},
		{10, 10, .691502892, 1},
		{81, 263, .252736746, .367621923},
	} {
		low, high := score.ClopperPearson(c.k, c.n, .95)
		assert.InDelta(t, c.low, low, 6e-10, "%d of %d", c.k, c.n)
		assert.InDelta(t, c.high, high, 6e-10, "%d of %d", c.k, c.n)
	}
}

// The verdicts of the exact binomial test (R): a 90 % interval that held 83 of
// 100 is too narrow at the 5 % level (p = 0.028), one that held 43 of 50 may be
// right (p = 0.34).
func TestCoverageVerdicts(t *testing.T) {
	_, high := score.ClopperPearson(83, 100, .95)
	assert.Less(t, high, .9)
	low, high := score.ClopperPearson(43, 50, .95)
	assert.True(t, low < .9 && .9 < high)
}

func TestClopperPearsonHoldsTheChanceOftenEnough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 40).Draw(t, "n")
		p := rapid.Float64Range(.001, .999).Draw(t, "p")
		confidence := rapid.Float64Range(.5, .99).Draw(t, "confidence")
		var held float64
		previous := -1.0
		chance := math.Pow(1-p, float64(n)) // of k successes
		for k := range n + 1 {
			low, high := score.ClopperPearson(k, n, confidence)
			share := float64(k) / float64(n)
			assert.True(t, low <= share && share <= high)
			assert.Greater(t, high, previous)
			previous = high
			if low <= p && p <= high {
				held += chance
			}
			chance *= p / (1 - p) * float64(n-k) / float64(k+1)
		}
		assert.GreaterOrEqual(t, held, confidence-1e-9)
	})
}
