package forecast

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// evenly is a forecast that any arcs up to most are as likely.
func evenly(most float64) []float64 {
	return membersOf(func(p float64) float64 { return p * most })
}

// The chances that a forecast gives to all that may come add up to one, and what
// is censored was given the chance of all that may still come: to 1e-12, rounding.
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
		e.chances = []float64{byModel: chanceOf(soon, came, false), byLifetimes: chanceOf(late, came, false),
			byWeibull: chanceOf(right, came, false), byLine: chanceOf(soon, came, false)}
		all = append(all, e)
	}
	assert.InDeltaSlice(t, priorWeights(), stack(priorWeights(), nil), 1e-6)
	few, many := stack(priorWeights(), all[:8]), stack(priorWeights(), all)
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
	assert.Greater(t, stack(priorWeights(), all)[byModel], 0.9)
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

// Where nothing has failed a forecast is the model's, but for a tenth of what is usual.
func TestOneTenthIsUsualBeforeTheFirstFailure(t *testing.T) {
	var sample model.Sample
	key := model.Key{Model: "type-1"}
	h := model.History{Machine: "K-07", Key: key}
	for n := range 20 {
		h.Events = append(h.Events, model.Event{Kind: model.Attempt, Time: time.Unix(0, 0).AddDate(0, 0, n), NewSession: true, Tries: 1, Passed: true,
			Arcs: 40 * float64(n), Step: 40, Melt: drift.Some(0.0), Setting: drift.Some(0.0), Next: drift.Some(0.0)})
	}
	sample.Enrol(h)
	p := Learn(&sample).For(key)
	m := model.NewMachine("K-07", p)
	for i := range h.Events {
		m.Update(&h.Events[i])
	}
	plan := Plan{Paths: 100, Horizon: Horizon, AttemptLimit: 4, Seed: 1}
	alone := recalibrate(simulate(m, plan).Arcs, p.Recalibration[m.Grade()])
	_, arcs, _, _ := m.Pair()
	var usual [forecasters][]float64
	usual[byWeibull] = believed(p.Belief, arcs)
	weight := p.Blend[m.Grade()][byWeibull]
	assert.InDelta(t, 0.1, weight, 0.02)
	assert.Equal(t, mix(alone, usual, []float64{byModel: 1 - weight, byWeibull: weight, byLine: 0}), Run(m, plan).Arcs)
}
