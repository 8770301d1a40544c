package forecast

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/model"
)

// evenly is a forecast that any arcs up to most are as likely.
func evenly(most float64) []float64 {
	return membersOf(func(p float64) float64 { return p * most })
}

// The chances that a forecast gives to all that may come add up to one, and what
// is hidden was given the chance of all that may still come: to 1e-12, rounding.
func TestChancesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lives := evenly(rapid.Float64Range(1, 20_000).Draw(t, "most"))
		sum := 0.0
		for k := len(edges) - 1; k >= 0; k-- {
			// Hidden just at an edge: all from there on may come.
			sum += chanceOf(lives, edges[k], false)
			assert.InDelta(t, sum, chanceOf(lives, edges[k], true), 1e-12, "from %v on", edges[k])
		}
		assert.InDelta(t, 1, sum, 1e-12)
	})
}

// With one forecaster that gives each outcome the chance it has and others that do
// not, the weights go to the right one as fates come in; with none they stay.
func TestStackFindsWhoIsRight(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 3))
	right, soon, late := evenly(2000), evenly(150), evenly(40_000)
	var all []evidence
	for range 200 {
		came := 2000 * rng.Float64()
		e := evidence{weight: 1}
		e.chances = [forecasters]float64{byModel: chanceOf(soon, came, false), byLifetimes: chanceOf(late, came, false),
			byWeibull: chanceOf(right, came, false), byLine: chanceOf(soon, came, false)}
		all = append(all, e)
	}
	assert.InDeltaSlice(t, alone(), stack(alone(), nil), 1e-6)
	few, many := stack(alone(), all[:8]), stack(alone(), all)
	assert.Greater(t, few[byWeibull], 0.2)
	assert.Less(t, few[byWeibull], 0.6, "eight fates are not believed alone")
	assert.Greater(t, many[byWeibull], 0.85)
	sum := 0.0
	for _, w := range many {
		sum += w
	}
	assert.InDelta(t, 1, sum, 1e-9)
	// A model that is right keeps its weight.
	for i := range all {
		all[i].chances[byModel], all[i].chances[byWeibull] = all[i].chances[byWeibull], all[i].chances[byModel]
	}
	assert.Greater(t, stack(alone(), all)[byModel], 0.9)
}

// A blend lies between what it is made of: the chance of a failure before any
// number of arcs is the weighted mean of theirs, to one member of either.
func TestMixIsTheWeightedMean(t *testing.T) {
	lives, other := make([]float64, 1000), evenly(6000)
	for i := range lives {
		lives[i] = 300 * (float64(i) + 0.5) / 1000
	}
	other[99] = math.Inf(1)
	var simple [forecasters][]float64
	simple[byLifetimes] = other
	mixed := mix(lives, simple, []float64{0.4, 0.6, 0, 0})
	assert.True(t, slices.IsSorted(mixed))
	before := func(sorted []float64, x float64) float64 {
		i, _ := slices.BinarySearch(sorted, x)
		return float64(i) / float64(len(sorted))
	}
	for _, x := range []float64{10, 100, 250, 400, 1000, 3000, 5900} {
		assert.InDelta(t, 0.4*before(lives, x)+0.6*before(other, x), before(mixed, x), 0.011)
	}
	assert.Equal(t, lives, mix(lives, [forecasters][]float64{}, []float64{0.1, 0.9, 0, 0}), "who cannot be asked leaves the model its weight")
}

// Where nothing has failed nothing is blended in.
func TestNoFailureNoBlend(t *testing.T) {
	var sample model.Sample
	sample.Enrol(model.History{Machine: "K-07", Key: model.Key{Model: "type-1"}})
	p := Learn(&sample).For(model.Key{Model: "type-1"})
	for _, weights := range p.Blend {
		assert.InDeltaSlice(t, alone(), weights, 1e-6)
	}
}

// A machine whose arcs were reckoned until it showed a counter may show fewer: the
// pair has gone on all the same, and learning takes it.
func TestACounterBelowWhatWasReckoned(t *testing.T) {
	h := model.History{AttemptLimit: 4, Events: []model.Event{
		{Kind: model.Attempt, Tries: 1, Passed: true, NewSession: true, Arcs: 446},
		{Kind: model.Usage, Arcs: 208},
	}}
	left, ended := fate(&h, 0)
	assert.Zero(t, left)
	assert.False(t, ended)
	assert.Positive(t, chanceOf(evenly(1000), left, true))

	h.Events = append(h.Events, model.Event{Kind: model.Attempt, Tries: 4, NewSession: true, Arcs: 209})
	left, ended = fate(&h, 0)
	assert.Zero(t, left)
	assert.True(t, ended)
}
