package forecast

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/model"
)

// Past forecasts of which those with the third rate of dirt are right: with many
// outcomes that rate is believed, a few say little, those of another kind say less,
// and without any the prior stays.
func TestPastForecastsSayHowMuchDirtComes(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 4))
	var looks []pastForecast
	for pair := range 100 {
		l := pastForecast{machine: "K-07", pair: pair, left: 2000 * rng.Float64()}
		l.censored = pair%2 == 0
		if l.censored {
			l.left *= rng.Float64()
		}
		for k, most := range []float64{6000, 4000, 2000, 700} {
			l.byDirt[k] = evenly(most)
		}
		looks = append(looks, l)
	}
	prior := model.Prior().DirtAhead
	none := dirtLogLik(nil)
	assert.InDeltaSlice(t, prior[:], list(dirtChances(prior, none, none)), 1e-12)

	many := dirtLogLik(looks)
	assert.Greater(t, dirtChances(prior, many, many)[2], 0.95)
	few := dirtLogLik(looks[:3])
	assert.Less(t, dirtChances(prior, few, few)[2], 0.8, "three outcomes are not believed alone")
	own, others := dirtChances(prior, many, many)[2], dirtChances(prior, none, many)[2]
	assert.Greater(t, own, others)
	assert.Greater(t, others, prior[2])

	// Twice the forecasts for the same pairs are no more outcomes.
	twice := dirtLogLik(append(looks, looks...))
	assert.InDeltaSlice(t, many[:], twice[:], 1e-9)
}

func list(x byRate) []float64 { return x[:] }

// What is simulated for each rate is taken together by their probabilities.
func TestSettledByTheRates(t *testing.T) {
	p := model.Prior()
	p.DirtAhead = byRate{0.25, 0.25, 0.25, 0.25}
	l := pastForecast{left: 1000}
	for k, most := range []float64{8000, 4000, 2000, 1000} {
		l.byDirt[k] = evenly(most)
	}
	l.settle(&p)
	assert.Len(t, l.lives, lookBackPaths)
	assert.InDelta(t, (0.125+0.25+0.5+1)/4, l.share, 0.01)
}
