package lookback

import (
	"math"
	"math/rand/v2"
	"slices"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Lot is an entry with the joint draws behind it, from which totals are made.
type Lot struct {
	Entry Entry
	// counts is how many of the splices were out, by draw.
	counts   []int
	measured []loss
	// view and weights, nil where all draws count alike, tell what more measuring would.
	view    *view
	weights []float64
	losses  *LossModel
}

// Draws are how many of the splices were out, by joint draw of the machine's course: of
// lots of one question about one machine, those of one index belong together.
func (lot *Lot) Draws() []int { return lot.counts }

// entries gives the answer about the splices made in the pieces.
func (c *course) entries(lots []*lot, spans []Span, losses *LossModel) []Lot {
	lots = slices.DeleteFunc(lots, func(l *lot) bool { return math.Round(l.splices()) < 1 })
	weights, views := c.weigh(lots, losses)
	rng := rand.New(rand.NewPCG(c.past.seed(), 2))
	out := make([]Lot, 0, len(lots))
	for _, l := range lots {
		lot := c.entry(l, int(math.Round(l.splices())), views[l], weights, losses, rng)
		lot.Entry.Span = c.spanOf(l, spans)
		out = append(out, lot)
	}
	return out
}

func (c *course) entry(l *lot, n int, v *view, weights []float64, losses *LossModel, rng *rand.Rand) Lot {
	e := Entry{Machine: c.past.Machine, Job: l.job, Day: l.day, Splices: n, Counted: l.counted, Why: []Why{}, Open: true}
	m := c.mean(l, weights)
	e.Chance = rounded(m.out, 1000)
	measured := measuredOf(l.records)
	if len(measured) > 0 {
		e.Loss = summary(measured)
	}
	var own [][]float64
	if weights != nil {
		var all float64
		all, own = v.after(n, measured, weights, losses)
		e.Chance = rounded(all, 1000)
		if len(measured) > 0 {
			e.Before = drift.Some(rounded(c.mean(l, nil).out, 1000))
		}
	} else if len(measured) > 0 && losses != nil {
		e.Before = drift.Some(e.Chance)
	}
	off, tolerance := m.off, m.tolerance
	e.Deviation, e.DeviationSD = rounded(model.Pct(off), 100), rounded(m.sd, 100)
	e.Tolerance = rounded(model.Pct(tolerance), 100)
	e.Way = way(m.strong, m.out)
	lot := Lot{Entry: e, measured: measured, view: v, weights: weights, losses: losses}
	if weights == nil {
		lot.counts = c.counts(l, n, rng)
	} else {
		lot.counts = v.counts(n, own, weights, rng)
	}
	lot.Entry.Out = number(lot.counts)
	c.explain(&lot.Entry, l, m)
	return lot
}

// sums are means over draws and pieces of a lot; deviations in log percent.
type sums struct {
	out, strong, off, sd, tolerance, floor, level, air float64
}

// mean weighs draws by weights, all alike if nil.
func (c *course) mean(l *lot, weights []float64) (m sums) {
	total := l.splices()
	squares := 0.0
	pieces := l.pieces()
	for d := range c.out {
		w := 1.0 / float64(len(c.out))
		if weights != nil {
			w = weights[d]
		}
		for _, j := range pieces {
			share := w * l.share[j] / total
			m.out += share * c.out[d][j]
			m.strong += share * c.strong[d][j]
			m.off += share * c.off[d][j]
			m.level += share * c.level[d][j]
			m.air += share * c.air[d][j]
			squares += share * c.off[d][j] * c.off[d][j]
		}
	}
	for _, j := range pieces {
		m.tolerance += l.share[j] / total * c.tolerance[j]
		m.floor += l.share[j] / total * c.floor[j]
	}
	m.sd = math.Sqrt(max(squares-m.off*m.off, 0))
	return m
}

func way(strong, out float64) Way {
	const mostly = 0.75
	switch {
	case out <= 0 || strong/out > 1-mostly && strong/out < mostly:
		return Either
	case strong/out >= mostly:
		return TooStrong
	}
	return TooWeak
}

// counts draws, for each draw of the course, how many splices of the lot were out.
func (c *course) counts(l *lot, n int, rng *rand.Rand) []int {
	out := make([]int, len(c.out))
	pieces := l.pieces()
	for d := range out {
		left, total := n, l.splices()
		for _, j := range pieces {
			here := left
			if total > 0 {
				here = min(int(math.Round(float64(left)*l.share[j]/total)), left)
			}
			total -= l.share[j]
			left -= here
			out[d] += binomial(here, c.out[d][j], rng)
		}
	}
	return out
}

// counts does so where losses were measured: draws come as often as these make them
// likely, and of the measured splices, whose chances own has by draw, more is known.
func (v *view) counts(n int, own [][]float64, weights []float64, rng *rand.Rand) []int {
	out := make([]int, len(weights))
	for i := range out {
		d := drawn(weights, rng)
		for _, chance := range own[d] {
			out[i] += binomial(1, chance, rng)
		}
		out[i] += binomial(n-len(own[d]), v.left[d], rng)
	}
	return out
}

func drawn(weights []float64, rng *rand.Rand) int {
	at := rng.Float64()
	for d, w := range weights {
		if at -= w; at < 0 {
			return d
		}
	}
	return len(weights) - 1
}

// number is the mean of drawn numbers and the interval that holds eight in ten of
// them.
func number(counts []int) Number {
	sorted := slices.Clone(counts)
	slices.Sort(sorted)
	sum := 0
	for _, n := range sorted {
		sum += n
	}
	at := func(q float64) int { return sorted[min(int(q*float64(len(sorted))), len(sorted)-1)] }
	return Number{Mean: rounded(float64(sum)/float64(len(sorted)), 10), Low: at(0.1), High: at(0.9)}
}

func rounded(x, per float64) float64 { return math.Round(x*per) / per }
