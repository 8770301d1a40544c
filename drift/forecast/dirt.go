package forecast

import (
	"math"
	"slices"

	"arcdrift/drift/model"
)

// What the parameters say of contamination rests on the next attempt: they make each
// attempt likely given those before it. Forecasts look thousands of arcs ahead, where a
// rate that is too low adds up. So they take several rates as possible, multiples of the
// learnt one, with probabilities by Bayes: how likely each made what came of past
// forecasts. Chosen on blind fleets 2001 to 2012.

// othersCount is how much the outcomes of another kind count, relative to its own: the
// kinds of a fleet burn in the same places. A guess.
const othersCount = 0.5

// byRate has one number for each of the rates: see model.Params.DirtInTime.
type byRate = [len(model.Params{}.DirtAhead)]float64

// weighDirt sets DirtAhead of each kind by the outcomes of past forecasts.
func weighDirt(pop *model.Population, keys []model.Key, past [][]pastForecast) {
	own := make([]byRate, len(keys))
	var all byRate
	for i := range keys {
		own[i] = dirtLogLik(past[i])
		for k, l := range own[i] {
			all[k] += l
		}
	}
	for i, key := range keys {
		p := pop.For(key)
		p.DirtAhead = dirtChances(p.DirtAhead, own[i], all)
	}
}

// dirtLogLik returns the log likelihood of each rate. Forecasts for one pair count as
// one.
func dirtLogLik(looks []pastForecast) (out byRate) {
	shares := sharesOf(looks)
	for i := range looks {
		for k, lives := range looks[i].byDirt {
			out[k] += shares[i] * math.Log(chanceOf(lives, looks[i].left, looks[i].censored))
		}
	}
	return out
}

// dirtChances returns the probabilities of the rates from those before, the log
// likelihood of a kind and that of all kinds.
func dirtChances(before, own, all byRate) (out byRate) {
	for k := range out {
		out[k] = math.Log(before[k]) + own[k] + othersCount*(all[k]-own[k])
	}
	top, sum := slices.Max(out[:]), 0.0
	for k := range out {
		out[k] = math.Exp(out[k] - top)
		sum += out[k]
	}
	for k := range out {
		out[k] /= sum
	}
	return out
}
