package forecast

import (
	"cmp"
	"math"
	"runtime"
	"slices"
	"sync"

	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// Forecasts are recalibrated by the outcomes of past ones. The probability integral
// transform (PIT) of an outcome is the share of simulated lives that were shorter; over
// the past forecasts of a kind it should be uniform on 0 to 1. Where it was not, later
// forecasts of that kind and grade of data are corrected so that it would have been, after
// Kuleshov, Fenner & Ermon (2018), ICML. Lives that a service cut short are censored, so
// the distribution of the PIT is estimated as Kaplan & Meier (1958) do.

// knots are the values of the PIT at which its distribution is kept.
var knots = [...]float64{0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1}

// The past forecasts of a kind: one every so many arcs of a pair's life, and at most so
// many that they cost less than the estimation of its parameters.
const (
	lookBackArcs  = 700
	lookBackMost  = 160
	lookBackPaths = 200
	// So many are simulated for each rate of contamination.
	lookBackEach = 100
	// doubtLives is the weight of the prior curve, in ended lives: less would follow
	// chance.
	doubtLives = 25
)

// Learn estimates the populations of the sampled machines, with the recalibration of
// their forecasts and the weights of simple ones: a pure function of the histories
// enrolled.
func Learn(sample *model.Sample) *model.Population {
	pop := sample.Learn()
	keys := pop.Keys()
	past := make([][]pastForecast, len(keys))
	lives := evidenceOf(keys, sample)
	for i, key := range keys {
		check(pop.For(key), key.Model, sample.Histories(key))
		past[i] = pastForecasts(pop.For(key), sample.Histories(key), &lives[i])
	}
	weighDirt(pop, keys, past)
	weighOuts(pop, keys, sample)
	for i, key := range keys {
		p, looks := pop.For(key), past[i]
		for j := range looks {
			looks[j].settle(p)
		}
		all := pitCurve(priorCurve(), looks)
		for grade := range p.Recalibration {
			own := slices.DeleteFunc(slices.Clone(looks), func(l pastForecast) bool { return int(l.grade) != grade })
			p.Recalibration[grade] = pitCurve(all, own)
		}
		known := lives[i].lifetimesOf(sample.Histories(key), -1)
		p.Lives, p.Belief = known.lives, known.belief
		blend(p, looks)
	}
	return pop
}

// pastForecast is a forecast of the past with its outcome: share is its PIT, or, if
// censored, a lower bound of it.
type pastForecast struct {
	machine  string
	pair     int
	grade    model.Grade
	share    float64
	censored bool

	left   float64                  // arcs to failure, or to where it was censored
	byDirt [len(byRate{})][]float64 // lives as simulated with each rate
	lives  []float64                // the same by the probabilities of the rates
	simple [forecasters][]float64
}

// settle takes the lives together by the probabilities of the rates.
func (l *pastForecast) settle(p *model.Params) {
	l.lives = mixture(l.byDirt[:], p.DirtAhead[:], lookBackPaths)
	life := Life{Arcs: l.lives, Horizon: Horizon}
	l.share = (life.Before(l.left) + life.Before(math.Nextafter(l.left, 0))) / 2
}

// moment is the place of a past forecast: after so many events of a history.
type moment struct{ history, event int }

// pastForecasts makes the past forecasts of a kind, on all processors. lives are
// what is known of the kind's.
func pastForecasts(p *model.Params, histories []model.History, lives *lifeEvidence) []pastForecast {
	var moments []moment
	for h := range histories {
		moments = append(moments, momentsOf(h, histories[h].Events)...)
	}
	thin := (len(moments) + lookBackMost - 1) / lookBackMost
	var chosen []moment
	for i := 0; i < len(moments); i += max(thin, 1) {
		chosen = append(chosen, moments[i])
	}
	byHistory := map[int][]int{}
	for _, m := range chosen {
		byHistory[m.history] = append(byHistory[m.history], m.event)
	}
	out := make([][]pastForecast, len(histories))
	var group sync.WaitGroup
	room := make(chan struct{}, runtime.GOMAXPROCS(0))
	for h, events := range byHistory {
		group.Go(func() {
			room <- struct{}{}
			out[h] = forecastsOf(p, &histories[h], events, lives.lifetimesOf(histories, h))
			<-room
		})
	}
	group.Wait()
	return slices.Concat(out...)
}

// momentsOf returns the ends of sessions at intervals of lookBackArcs on each pair.
func momentsOf(h int, events []model.Event) []moment {
	var out []moment
	pair, next := -1, 0.0
	for i := range events {
		ev := &events[i]
		if ev.Pair != pair {
			pair, next = ev.Pair, ev.Arcs+lookBackArcs/2
		}
		if ev.Kind == model.Attempt && ev.Passed && ev.Arcs >= next {
			out = append(out, moment{h, i})
			next = ev.Arcs + lookBackArcs
		}
	}
	return out
}

// forecastsOf updates one machine with its events and forecasts after the given ones, in
// order. others are the lifetimes of other machines' pairs.
func forecastsOf(p *model.Params, h *model.History, events []int, others lifetimes) []pastForecast {
	var out []pastForecast
	m := model.NewMachine(h.Machine, p)
	for i := range h.Events {
		m.Update(&h.Events[i])
		if len(events) == 0 || i != events[0] {
			continue
		}
		events = events[1:]
		pair, arcs, _, _ := m.Pair()
		one := pastForecast{machine: h.Machine, pair: pair, grade: m.Grade(), simple: others.simple(m, allForecasters)}
		s := newSimulation(m, Plan{Horizon: Horizon, AttemptLimit: h.AttemptLimit, Seed: math.Float64bits(arcs) ^ uint64(i)})
		for k := range one.byDirt {
			one.byDirt[k] = s.lives(p.DirtInTime(k), lookBackEach)
			slices.Sort(one.byDirt[k])
		}
		left, ended := fate(h, i)
		one.left, one.censored = left, !ended
		out = append(out, one)
	}
	return out
}

// fate returns the arcs from an event to the first session without a pass within the
// attempt limit or, with ended false, to where the pair was serviced or its records end.
// They are 0 if a counter shows less than was estimated before it.
func fate(h *model.History, from int) (arcs float64, ended bool) {
	start := h.Events[from]
	fails, began := 0, start.Arcs
	for i := from + 1; i < len(h.Events); i++ {
		ev := &h.Events[i]
		if ev.Pair != start.Pair || ev.Kind == model.Cleaned {
			break
		}
		arcs = max(ev.Arcs-start.Arcs, 0)
		if ev.Kind != model.Attempt {
			continue
		}
		if ev.NewSession {
			fails, began = 0, ev.Arcs
		}
		if ev.Passed {
			fails = 0
			continue
		}
		if fails += int(ev.Tries); fails >= h.AttemptLimit {
			return max(began-start.Arcs, 0), true
		}
	}
	return arcs, false
}

// tooNarrow is the factor by which simulated forecasts are too narrow, as they take the
// parameters as known. Measured on artificial fleets of many kinds, where 1.1 to 1.3 gave
// the 80 % interval its coverage.
const tooNarrow = 1.15

// priorCurve returns the distribution of the PIT of a normal forecast that is too narrow
// by the factor tooNarrow.
func priorCurve() []float64 {
	out := make([]float64, len(knots))
	for k, u := range knots {
		out[k] = u
		if u > 0 && u < 1 {
			out[k] = fit.NormalCDF(fit.NormalQuantile(u) / tooNarrow)
		}
	}
	return out
}

// pitCurve returns the distribution of the PIT at the knots, shrunk towards a prior curve
// by the number of ended lives.
func pitCurve(prior []float64, looks []pastForecast) []float64 {
	type life struct {
		machine string
		pair    int
	}
	ended := map[life]bool{}
	for _, l := range looks {
		if !l.censored {
			ended[life{l.machine, l.pair}] = true
		}
	}
	looks = slices.Clone(looks)
	slices.SortStableFunc(looks, func(a, b pastForecast) int { return cmp.Compare(a.share, b.share) })
	trust := float64(len(ended)) / (float64(len(ended)) + doubtLives)
	out := make([]float64, len(knots))
	alive, at := 1.0, 0
	for k, knot := range knots {
		for at < len(looks) && looks[at].share <= knot {
			if !looks[at].censored {
				alive *= 1 - 1/float64(len(looks)-at)
			}
			at++
		}
		out[k] = prior[k] + trust*(1-alive-prior[k])
	}
	out[0], out[len(out)-1] = 0, 1
	return out
}

// recalibrate corrects simulated lives, in rising order, by the distribution of the PIT:
// its quantile p is the raw quantile at the PIT that p of the outcomes stayed below.
func recalibrate(arcs, curve []float64) []float64 {
	if curve == nil {
		return arcs
	}
	n := float64(len(arcs))
	out := make([]float64, len(arcs))
	k := 1
	for i := range out {
		// The PIT u below which the share v of the outcomes lay.
		v := (float64(i) + 0.5) / n
		for k < len(curve)-1 && curve[k] < v {
			k++
		}
		u := knots[k]
		if rise := curve[k] - curve[k-1]; rise > 0 {
			u = knots[k-1] + (knots[k]-knots[k-1])*min(max((v-curve[k-1])/rise, 0), 1)
		}
		out[i] = between(arcs, u*n-0.5)
	}
	return out
}

// between interpolates a list at a place between its entries.
func between(x []float64, at float64) float64 {
	at = min(max(at, 0), float64(len(x)-1))
	i := int(at)
	if i+1 == len(x) || x[i] == x[i+1] || at == float64(i) {
		return x[i]
	}
	return x[i] + (at-float64(i))*(x[i+1]-x[i])
}
