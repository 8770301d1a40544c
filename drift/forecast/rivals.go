package forecast

import (
	"math"
	"slices"

	"arcdrift/drift/fit"
	"arcdrift/drift/model"
)

// Lifetimes forecasts arcs to failure by the lives that reached beyond the arcs so far:
// the estimate of Kaplan and Meier with late entry. It returns the quantile function, in
// arcs from now, +Inf if no life ended. Where the table ends, above the longest life or
// because the last ones are censored, the hazard is the mean rate of all lives (ends
// over arcs observed).
func Lifetimes(lives []fit.Life, arcs float64) func(p float64) float64 {
	var older []fit.Life
	for _, l := range lives {
		if l.Length > arcs {
			older = append(older, fit.Life{From: max(l.From-arcs, 0), Length: l.Length - arcs, Ended: l.Ended})
		}
	}
	ends, watched := Exposure(lives)
	table, err := fit.NewLifeTable(older)
	left := 1.0
	if err == nil { // else nobody has lived that long
		left, _ = table.Survival(table.Last)
	}
	return func(p float64) float64 {
		if 1-p < left || err != nil {
			if ends == 0 {
				return math.Inf(1)
			}
			return table.Last + math.Log(left/(1-p))*watched/ends
		}
		return table.Residual(0, p)
	}
}

// Exposure returns how many of the lives ended and the arcs over which they were observed.
func Exposure(lives []fit.Life) (ends, arcs float64) {
	for _, l := range lives {
		if l.Ended {
			ends++
		}
		arcs += l.Length - l.From
	}
	return ends, arcs
}

// The forecasters of a blend, in the order of its weights.
const (
	byModel = iota
	byLifetimes
	byWeibull
	byLine
	forecasters
)

// Forecasters returns their names.
func Forecasters() []string {
	return []string{"model", "lifetimes", "weibull", "line through 5 points"}
}

// members is the size of a simple forecast: its quantiles at (i + ½)/members.
const members = 100

// lifetimes are those of a kind's pairs, and what is believed of its pairs, on which simple
// forecasts rest.
type lifetimes struct {
	lives  []fit.Life
	belief fit.LifeBelief
}

// leastEnds is how many lives must have ended before they are used alone.
const leastEnds = 3

// usualLives is what is taken to be usual of the lifetimes of pairs in arcs, before any is
// known: a median of 2,500, eight in ten kinds between 1,200 and 5,400, and wear rather
// than chance. A guess, for there is no published figure.
func usualLives() fit.LifePrior {
	return fit.LifePrior{Scale: 2800, ScaleSD: 0.6, Shape: 3, ShapeSD: 0.4}
}

// lifeEvidence is what the lives of the fleet say of its kinds: log likelihoods by
// [fit.LifePrior.LogLik].
type lifeEvidence struct{ own, others []float64 }

// evidenceOf returns it for each kind.
func evidenceOf(keys []model.Key, sample *model.Sample) []lifeEvidence {
	out := make([]lifeEvidence, len(keys))
	for i, key := range keys {
		out[i].own = lifeLogLik(livesOf(sample.Histories(key), -1))
		out[i].others = make([]float64, len(out[i].own))
		for j := range i {
			addTo(out[i].others, out[j].own, 1)
			addTo(out[j].others, out[i].own, 1)
		}
	}
	return out
}

func lifeLogLik(lives []fit.Life) []float64 {
	logLik, err := usualLives().LogLik(lives)
	if err != nil {
		panic(err) // Lives makes valid ones only
	}
	return logLik
}

// addTo adds some times what one has to another.
func addTo(to, one []float64, times float64) {
	for i := range to {
		to[i] += times * one[i]
	}
}

// lifetimesOf are those of a kind without one of its machines, -1 for none. Lives of other
// kinds count by othersCount.
func (e *lifeEvidence) lifetimesOf(histories []model.History, but int) lifetimes {
	logLik := slices.Clone(e.own)
	addTo(logLik, e.others, othersCount)
	if but >= 0 {
		addTo(logLik, lifeLogLik(Lives(&histories[but])), -1)
	}
	return lifetimes{livesOf(histories, but), usualLives().Believe(logLik)}
}

// simple returns the simple forecasts of a machine's arcs to failure, each as rising
// members, +Inf beyond its range; nil if it cannot be made or its weight is negligible.
func (h lifetimes) simple(m *model.Machine, weights []float64) (out [forecasters][]float64) {
	_, arcs, _, _ := m.Pair()
	ends, _ := Exposure(h.lives)
	if ends >= leastEnds && weights[byLifetimes] >= leastWeight {
		out[byLifetimes] = membersOf(Lifetimes(h.lives, arcs))
	}
	if weights[byWeibull] >= leastWeight {
		out[byWeibull] = believed(h.belief, arcs)
	}
	if weights[byLine] >= leastWeight {
		out[byLine] = line(m)
	}
	return out
}

// believed forecasts by what is believed of the lives that reach beyond the arcs so far;
// nil if hardly any is believed to.
func believed(b fit.LifeBelief, arcs float64) []float64 {
	const hardly = 1e-9
	now := b.Survival(arcs)
	if now < hardly {
		return nil
	}
	return membersBy(func(more float64) float64 { return 1 - b.Survival(arcs+more)/now })
}

func membersOf(quantile func(p float64) float64) []float64 {
	out := make([]float64, members)
	for i := range out {
		out[i] = quantile((float64(i) + 0.5) / members)
	}
	return out
}

// line forecasts where the straight line through the required power of the pair's last
// attempts, as measured, leaves the machine's bounds.
func line(m *model.Machine) []float64 {
	p := m.Params()
	arcs, needs := m.Points()
	lo, hi := p.Window()
	bottom, top := p.Bounds()
	height := top + hi
	if n := len(needs); n > 1 && needs[n-1] < needs[0] {
		height = bottom + lo
	}
	c, ok := fit.NewCrossing(arcs, needs, height, roundedSD)
	if !ok {
		return nil
	}
	return membersBy(c.By)
}

// membersBy returns the members of a forecast that gives the chance of a failure within so
// many arcs: they are interpolated on a grid.
func membersBy(chance func(arcs float64) float64) []float64 {
	const steps = 150
	var by [steps + 1]float64
	for i := range by {
		by[i] = chance(Horizon / steps * float64(i))
	}
	at := 0
	return membersOf(func(p float64) float64 {
		for at <= steps && by[at] < p {
			at++
		}
		switch at {
		case 0:
			return 0
		case steps + 1:
			return math.Inf(1)
		}
		return Horizon / steps * (float64(at) - (by[at]-p)/(by[at]-by[at-1]))
	})
}

// roundedSD is the standard deviation of required power from rounding, in log percent: it is
// recorded to a tenth of a percent.
const roundedSD = 0.03
