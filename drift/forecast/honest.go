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

// A forecast is kept honest by those that came true. Of every forecast that a
// kind of machine would have been given in the past, its truth, as a share of
// the simulated lives that were shorter, should be as likely to lie anywhere
// between 0 and 1. Where it was not, later forecasts of that kind and grade of
// data are bent so that it would have been: probability integral transform
// recalibration, after Kuleshov, Fenner & Ermon (2018), ICML. Lives cut short by
// a service are censored there, so the distribution of the shares is that of
// Kaplan & Meier (1958).

// knots are the shares at which the bend is told.
var knots = [...]float64{0, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1}

// The forecasts looked back on: every so many arcs of a pair's life, few enough
// of a kind to cost less than learning it.
const (
	lookBackArcs  = 700
	lookBackMost  = 160
	lookBackPaths = 200
	// doubtLives is how many ended lives it takes to half believe the bend: less
	// would follow chance.
	doubtLives = 25
)

// Learn estimates the populations of the machines asked, how far their raw
// forecasts are to be trusted, and how far simple ones: a pure function of the
// histories enrolled.
func Learn(sample *model.Sample) *model.Population {
	pop := sample.Learn()
	for _, key := range pop.Keys() {
		p := pop.For(key)
		check(p, key.Model, sample.Histories(key))
		looks := lookBack(p, sample.Histories(key))
		all := bend(believed(), looks)
		for grade := range p.Recalibration {
			own := slices.DeleteFunc(slices.Clone(looks), func(l look) bool { return int(l.grade) != grade })
			p.Recalibration[grade] = bend(all, own)
		}
		known := pastOf(livesOf(sample.Histories(key), -1))
		p.Lives, p.Weibull = known.lives, known.weibull
		blend(p, looks)
	}
	return pop
}

// look is a forecast looked back on: the share of simulated lives shorter than
// the true one, or, if hidden, than the part of it that was seen.
type look struct {
	machine string
	pair    int
	grade   model.Grade
	share   float64
	hidden  bool

	left   float64   // the true one, or what was seen of it
	lives  []float64 // as simulated
	simple [forecasters][]float64
}

// moment is where a forecast is looked back on: after so many events.
type moment struct{ history, event int }

// lookBack makes those forecasts, on all processors.
func lookBack(p *model.Params, histories []model.History) []look {
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
	out := make([][]look, len(histories))
	var group sync.WaitGroup
	room := make(chan struct{}, runtime.GOMAXPROCS(0))
	for h, events := range byHistory {
		group.Go(func() {
			room <- struct{}{}
			out[h] = lookAt(p, &histories[h], events, pastOf(livesOf(histories, h)))
			<-room
		})
	}
	group.Wait()
	return slices.Concat(out...)
}

// momentsOf are the ends of sessions at which a pair has gone on for another
// lookBackArcs.
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

// lookAt folds one machine and forecasts after the given events, in order. others
// are what other machines' pairs tell.
func lookAt(p *model.Params, h *model.History, events []int, others past) []look {
	var out []look
	m := model.NewMachine(h.Machine, p)
	for i := range h.Events {
		m.Update(&h.Events[i])
		if len(events) == 0 || i != events[0] {
			continue
		}
		events = events[1:]
		pair, arcs, _, _ := m.Pair()
		life := simulate(m, Plan{Paths: lookBackPaths, Horizon: Horizon, AttemptLimit: h.AttemptLimit, Seed: math.Float64bits(arcs) ^ uint64(i)})
		left, ended := fate(h, i)
		share := (life.Before(left) + life.Before(math.Nextafter(left, 0))) / 2
		out = append(out, look{h.Machine, pair, m.Grade(), share, !ended, left, life.Arcs, others.simple(m, everybody)})
	}
	return out
}

// fate is the arcs from an event to the first session without a pass within the
// attempt limit, or, false, to where that pair was last seen left alone. A
// session that the bench blamed on the ends does not count. A counter that shows less
// than was reckoned before it leaves none.
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

// tooNarrow is by how much raw forecasts are too narrow before any came true:
// they take the populations for known. Measured on artificial fleets of many
// kinds, where 1.1 to 1.3 made the 80 % interval hold.
const tooNarrow = 1.15

// believed is the bend that tooNarrow makes: shares of a normal law seen through
// one that much narrower.
func believed() []float64 {
	out := make([]float64, len(knots))
	for k, u := range knots {
		out[k] = u
		if u > 0 && u < 1 {
			out[k] = fit.NormalCDF(fit.NormalQuantile(u) / tooNarrow)
		}
	}
	return out
}

// bend returns the distribution of the shares at the knots, drawn towards what
// was believed by how few lives it rests on.
func bend(before []float64, looks []look) []float64 {
	type life struct {
		machine string
		pair    int
	}
	ended := map[life]bool{}
	for _, l := range looks {
		if !l.hidden {
			ended[life{l.machine, l.pair}] = true
		}
	}
	looks = slices.Clone(looks)
	slices.SortStableFunc(looks, func(a, b look) int { return cmp.Compare(a.share, b.share) })
	trust := float64(len(ended)) / (float64(len(ended)) + doubtLives)
	out := make([]float64, len(knots))
	alive, at := 1.0, 0
	for k, knot := range knots {
		for at < len(looks) && looks[at].share <= knot {
			if !looks[at].hidden {
				alive *= 1 - 1/float64(len(looks)-at)
			}
			at++
		}
		out[k] = before[k] + trust*(1-alive-before[k])
	}
	out[0], out[len(out)-1] = 0, 1
	return out
}

// straighten turns simulated lives, in rising order, into those that the bend
// says they should have been.
func straighten(arcs, curve []float64) []float64 {
	if curve == nil {
		return arcs
	}
	n := float64(len(arcs))
	out := make([]float64, len(arcs))
	k := 1
	for i := range out {
		// The raw share u that was exceeded with the probability wanted here.
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

// between reads a rising list at a place between its entries.
func between(x []float64, at float64) float64 {
	at = min(max(at, 0), float64(len(x)-1))
	i := int(at)
	if i+1 == len(x) || x[i] == x[i+1] || at == float64(i) {
		return x[i]
	}
	return x[i] + (at-float64(i))*(x[i+1]-x[i])
}
