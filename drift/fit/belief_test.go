package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func usual() LifePrior { return LifePrior{Scale: 3000, ScaleSD: 0.6, Shape: 3, ShapeSD: 0.4} }

func believe(t *testing.T, lives []Life) LifeBelief {
	logLik, err := usual().LogLik(lives)
	require.NoError(t, err)
	return usual().Believe(logLik)
}

// Without a life the belief is the prior: its survival is the mean of those of draws from
// the prior. 40,000 draws give it to 0.0025; the grid is coarser than that by as much.
func TestABeliefWithoutLivesIsThePrior(t *testing.T) {
	b := believe(t, nil)
	assert.InDelta(t, 1, b.Survival(0), 1e-12)
	rng := rand.New(rand.NewPCG(1, 2))
	const n = 40000
	for _, age := range []float64{300, 1000, 2500, 5000, 9000} {
		sum := 0.0
		for range n {
			w := Weibull{Scale: 3000 * math.Exp(0.6*rng.NormFloat64()), Shape: 3 * math.Exp(0.4*rng.NormFloat64())}
			sum += w.Survival(age)
		}
		assert.InDelta(t, sum/n, b.Survival(age), 0.01, "%.0f", age)
	}
}

// Many lives overrule the prior: the belief is then the distribution they came from. Two
// hundred lives give a share to √(0.25/200) = 0.035; three times that.
func TestManyLivesOverruleThePrior(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	truly := Weibull{Scale: 900, Shape: 1.5}
	var lives []Life
	for range 200 {
		l := Life{Length: truly.Quantile(rng.Float64()), Ended: true}
		if cut := 1500 * rng.Float64(); cut < l.Length {
			l = Life{Length: cut}
		}
		lives = append(lives, l)
	}
	b := believe(t, lives)
	for _, age := range []float64{100, 400, 900, 1500} {
		assert.InDelta(t, truly.Survival(age), b.Survival(age), 0.1, "%.0f", age)
	}
}

// A grid of one scale and shape would make Bayes' rule trivial; of many it is checked on
// the ratio of two cells: likelihoods by hand, of a life that ended, one that goes on, and
// one observed late.
func TestBeliefsFollowBayes(t *testing.T) {
	lives := []Life{{Length: 1000, Ended: true}, {Length: 2000}, {From: 500, Length: 1500, Ended: true, Weight: 0.5}}
	before, after := believe(t, nil), believe(t, lives)
	weight := func(b LifeBelief, w Weibull) float64 {
		for i := range b {
			if b[i].Weibull == w {
				return b[i].Weight
			}
		}
		return math.NaN()
	}
	likelihood := func(w Weibull) float64 {
		density := func(age float64) float64 {
			return w.Shape / w.Scale * math.Pow(age/w.Scale, w.Shape-1) * w.Survival(age)
		}
		return density(1000) * w.Survival(2000) * math.Sqrt(density(1500)/w.Survival(500))
	}
	one, other := after[len(after)/3].Weibull, after[2*len(after)/3].Weibull
	assert.InEpsilon(t, weight(before, one)/weight(before, other)*likelihood(one)/likelihood(other), weight(after, one)/weight(after, other), 1e-9)
}

func TestBeliefsNeedValidLives(t *testing.T) {
	_, err := usual().LogLik([]Life{{Length: 10, From: 20}})
	assert.ErrorContains(t, err, "life 1, from age 20 to 10")
	assert.Zero(t, LifeBelief{}.Survival(5))
}
