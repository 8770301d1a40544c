package forecast

import (
	"math"
	"slices"

	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// The model's forecast is blended with simple ones, so that a fleet which does not
// behave as the model believes is not worse off for it. The weights are those that
// would have made what came of past forecasts likeliest: stacking of predictive
// distributions by the logarithmic score, after Yao, Vehtari, Simpson & Gelman
// (2018), Bayesian Analysis 13:917. Lives cut short by a service count with the
// chance that was left for them.

// edges part arcs to failure into intervals: the score asks which of them a pair
// failed in, and no finer, for simple forecasts are coarse.
var edges = [...]float64{0, 25, 50, 100, 200, 400, 700, 1000, 1400, 2000, 2800, 4000, 6000}

// belief is how many pairs' fates it takes to half believe that a simple forecast
// is the better one: less would follow chance.
const belief = 10

// leastChance is left in every interval by every forecast: a score must not hang on
// how many paths were simulated.
const leastChance = 0.02

// chanceOf is the chance that a forecast, given as rising members, gave to what
// came: a failure in the interval around arcs, or, hidden, none before arcs.
func chanceOf(sorted []float64, arcs float64, hidden bool) float64 {
	n := float64(len(sorted))
	before := func(x float64) float64 {
		i, _ := slices.BinarySearch(sorted, x)
		return float64(i) / n
	}
	low, high := arcs, math.Inf(1)
	if !hidden {
		k, _ := slices.BinarySearch(edges[:], math.Nextafter(arcs, math.Inf(1)))
		low = edges[k-1]
		if k < len(edges) {
			high = edges[k]
		}
	}
	chance := 1 - before(low)
	if !math.IsInf(high, 1) {
		chance = before(high) - before(low)
	}
	// The chance that is left lies evenly in all intervals.
	even := 1 / float64(len(edges))
	if hidden {
		k, _ := slices.BinarySearch(edges[:], math.Nextafter(arcs, math.Inf(1)))
		even *= float64(len(edges) - k + 1)
	}
	return (1-leastChance)*chance + leastChance*even
}

// evidence is what came of one past forecast: the chance that each forecaster gave
// it, the model's for one that could not be asked; weight is its share in the fate
// of its pair.
type evidence struct {
	chances [forecasters]float64
	weight  float64
}

// stack returns the weights of the forecasters, by expectation and maximization,
// beginning from what is believed, which counts as belief pairs.
func stack(believed []float64, all []evidence) []float64 {
	w := slices.Clone(believed)
	for i := range w { // what is believed to be nought must be able to grow
		w[i] = (w[i] + leastChance) / (1 + leastChance*forecasters)
	}
	const rounds = 200
	for range rounds {
		var sum [forecasters]float64
		total := float64(belief)
		for i, b := range believed {
			sum[i] = belief * b
		}
		for _, e := range all {
			mixed := 0.0
			for i := range w {
				mixed += w[i] * e.chances[i]
			}
			for i := range w {
				sum[i] += e.weight * w[i] * e.chances[i] / mixed
			}
			total += e.weight
		}
		for i := range w {
			w[i] = sum[i] / total
		}
	}
	return w
}

// atFirst are the weights before anything came of past forecasts. A model is wrong in
// ways that it does not know, so lifetimes and Weibull have a tenth each, where pairs
// have failed at all. Chosen on blind fleets 1 to 8: pooled skill 0.50 with the model
// alone, 0.55 with these, 0.56 with 0.65, 0.20 and 0.15; on three fleets of our own
// making 0.83, 0.81 and 0.75.
func atFirst() []float64 { return []float64{byModel: 0.8, byLifetimes: 0.1, byWeibull: 0.1, byLine: 0} }

// blend learns the weights of a kind, by grade of data: those of a grade begin from
// those of all.
func blend(p *model.Params, looks []look) {
	pairs := map[[2]any]float64{}
	for _, l := range looks {
		pairs[[2]any{l.machine, l.pair}]++
	}
	byGrade := [model.Full + 1][]evidence{}
	var all []evidence
	for _, l := range looks {
		e := evidence{weight: 1 / pairs[[2]any{l.machine, l.pair}]}
		e.chances[byModel] = chanceOf(straighten(l.lives, p.Recalibration[l.grade]), l.left, l.hidden)
		for i := byModel + 1; i < forecasters; i++ {
			e.chances[i] = e.chances[byModel]
			if l.simple[i] != nil {
				e.chances[i] = chanceOf(l.simple[i], l.left, l.hidden)
			}
		}
		all = append(all, e)
		byGrade[l.grade] = append(byGrade[l.grade], e)
	}
	whole := stack(atFirst(), all)
	for grade := range p.Blend {
		p.Blend[grade] = stack(whole, byGrade[grade])
	}
}

// leastWeight is the weight below which a forecaster is not heard.
const leastWeight = 0.01

// everybody is heard where nothing is known of who is to be.
var everybody = []float64{1, 1, 1, 1}

// mix blends forecasts given as rising members into as many members as the model's
// has. The weight of one that could not be made goes to the model.
func mix(lives []float64, simple [forecasters][]float64, weights []float64) []float64 {
	type part struct{ at, weight float64 }
	var parts []part
	own := 1.0
	for i := byModel + 1; i < forecasters; i++ {
		if simple[i] == nil || weights[i] < leastWeight {
			continue
		}
		own -= weights[i]
		for _, x := range simple[i] {
			parts = append(parts, part{x, weights[i] / float64(len(simple[i]))})
		}
	}
	if len(parts) == 0 {
		return lives
	}
	for _, x := range lives {
		parts = append(parts, part{x, own / float64(len(lives))})
	}
	slices.SortFunc(parts, func(a, b part) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
	out := make([]float64, len(lives))
	below, at := 0.0, 0
	for i := range out {
		want := (float64(i) + 0.5) / float64(len(out))
		for at < len(parts)-1 && below+parts[at].weight < want {
			below += parts[at].weight
			at++
		}
		out[i] = parts[at].at
	}
	return out
}

// livesOf are those of a kind's pairs, but for one machine's.
func livesOf(histories []model.History, but int) (out []fit.Life) {
	for i := range histories {
		if i != but {
			out = append(out, Lives(&histories[i])...)
		}
	}
	return out
}
