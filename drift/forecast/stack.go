package forecast

import (
	"math"
	"slices"

	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// The model's forecast is blended with simple ones, so that it does little harm in a fleet
// that does not behave as the model assumes. The weights maximise the likelihood of what
// came of past forecasts: stacking of predictive distributions by the logarithmic score,
// after Yao, Vehtari, Simpson & Gelman (2018), Bayesian Analysis 13:917. A life censored
// by a service counts with the chance that it would last longer.

// edges divide arcs to failure into intervals: the score depends on the interval in which
// a pair failed only, for simple forecasts are coarse.
var edges = [...]float64{0, 25, 50, 100, 200, 400, 700, 1000, 1400, 2000, 2800, 4000, 6000}

// priorPairs is the weight of the prior, in pairs: fewer would follow chance.
const priorPairs = 10

// leastChance is spread evenly over the intervals in every forecast, so that the score
// does not depend on the number of paths.
const leastChance = 0.02

// chanceOf returns the chance that a forecast, given as rising members, gave to the
// outcome: a failure in the interval around arcs or, if censored, none before arcs.
func chanceOf(sorted []float64, arcs float64, censored bool) float64 {
	n := float64(len(sorted))
	before := func(x float64) float64 {
		i, _ := slices.BinarySearch(sorted, x)
		return float64(i) / n
	}
	low, high := arcs, math.Inf(1)
	if !censored {
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
	// leastChance is spread evenly over the intervals.
	even := 1 / float64(len(edges))
	if censored {
		k, _ := slices.BinarySearch(edges[:], math.Nextafter(arcs, math.Inf(1)))
		even *= float64(len(edges) - k + 1)
	}
	return (1-leastChance)*chance + leastChance*even
}

// evidence is the outcome of one past forecast: the chance that each forecaster gave it,
// the model's for one that could not forecast. weight is one over the number of
// forecasts that are as good as one.
type evidence struct {
	chances []float64
	weight  float64
}

// stack returns the weights of the forecasters, by expectation and maximisation. The prior
// weights count as much as priorPairs pairs.
func stack(prior []float64, all []evidence) []float64 {
	w := slices.Clone(prior)
	for i := range w { // a weight of 0 could not grow
		w[i] = (w[i] + leastChance) / (1 + leastChance*float64(len(w)))
	}
	const rounds = 200
	sum := make([]float64, len(w))
	for range rounds {
		total := float64(priorPairs)
		for i, b := range prior {
			sum[i] = priorPairs * b
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

// priorWeights returns the weights before any outcome. A model is wrong in ways that it
// does not know, so lifetimes and Weibull have a tenth each. Chosen on blind fleets 1 to
// 8: pooled skill 0.50 with the model alone, 0.55 with these, 0.56 with 0.65, 0.20 and
// 0.15; on three fleets of drift/synth 0.83, 0.81 and 0.75.
func priorWeights() []float64 {
	return []float64{byModel: 0.8, byLifetimes: 0.1, byWeibull: 0.1, byLine: 0}
}

// blend estimates the weights of a kind, by grade of data: those of all grades together
// are the prior of each.
func blend(p *model.Params, looks []pastForecast) {
	shares := sharesOf(looks)
	byGrade := [model.Full + 1][]evidence{}
	var all []evidence
	for i, l := range looks {
		e := evidence{chances: make([]float64, forecasters), weight: shares[i]}
		e.chances[byModel] = chanceOf(recalibrate(l.lives, p.Recalibration[l.grade]), l.left, l.censored)
		for i := byModel + 1; i < forecasters; i++ {
			e.chances[i] = e.chances[byModel]
			if l.simple[i] != nil {
				e.chances[i] = chanceOf(l.simple[i], l.left, l.censored)
			}
		}
		all = append(all, e)
		byGrade[l.grade] = append(byGrade[l.grade], e)
	}
	whole := stack(priorWeights(), all)
	for grade := range p.Blend {
		p.Blend[grade] = stack(whole, byGrade[grade])
	}
}

// sharesOf returns one over the number of forecasts for the same pair, of each.
func sharesOf(looks []pastForecast) []float64 {
	pairs := map[[2]any]float64{}
	for _, l := range looks {
		pairs[[2]any{l.machine, l.pair}]++
	}
	out := make([]float64, len(looks))
	for i, l := range looks {
		out[i] = 1 / pairs[[2]any{l.machine, l.pair}]
	}
	return out
}

// leastWeight is the weight below which a forecaster is left out.
const leastWeight = 0.01

// allForecasters are the weights that leave none out.
var allForecasters = []float64{1, 1, 1, 1}

// mix blends forecasts, given as rising members, into as many members as the model's has.
// The weight of a forecast that could not be made goes to the model.
func mix(lives []float64, simple [forecasters][]float64, weights []float64) []float64 {
	used := []float64{byModel: 1}
	all := [][]float64{byModel: lives}
	for i := byModel + 1; i < forecasters; i++ {
		if simple[i] == nil || weights[i] < leastWeight {
			continue
		}
		used[byModel] -= weights[i]
		all, used = append(all, simple[i]), append(used, weights[i])
	}
	if len(all) == 1 {
		return lives
	}
	return mixture(all, used, len(lives))
}

// mixture takes forecasts, given as rising members, together by their weights into one of
// n members.
func mixture(all [][]float64, weights []float64, n int) []float64 {
	type part struct{ at, weight float64 }
	var parts []part
	for i, members := range all {
		for _, x := range members {
			parts = append(parts, part{x, weights[i] / float64(len(members))})
		}
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
	out := make([]float64, n)
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

// livesOf returns the lifetimes of a kind's pairs, without those of one machine.
func livesOf(histories []model.History, but int) (out []fit.Life) {
	for i := range histories {
		if i != but {
			out = append(out, Lives(&histories[i])...)
		}
	}
	return out
}
