package compare

import (
	"math"

	"arcdrift/drift/fit"
)

// scale is how an outcome is compared.
type scale struct {
	// unit is the step of the grid of θ; the grid reaches 60 steps to both sides.
	unit float64
	// spread is the scale of the half-normal prior of the spread between groups.
	spread float64
	// relevant is how much worse matters, on θ.
	relevant float64
	// least is how many records a group needs to be called no worse.
	least int
}

// The relevant amounts: twice as many failed tries, a fifth fewer arcs, 0.5 % more
// growth per 1000 arcs, a quarter more scatter. Proposals, without a source.
func (t *table) scale() scale {
	switch t.outcome {
	case FailedTries:
		return scale{unit: 0.05, spread: 0.7, relevant: math.Log(2), least: 20}
	case Growth:
		return scale{unit: 0.1, spread: 1, relevant: 0.5, least: 4}
	case Scatter:
		return scale{unit: 0.03, spread: 0.3, relevant: math.Log(1.25), least: 4}
	}
	return scale{unit: 0.05 * t.shape, spread: 0.5 * t.shape, relevant: -t.shape * math.Log(0.8), least: 4}
}

const (
	gridSize = 121
	tauSteps = 12
)

func (s scale) grid() []float64 {
	out := make([]float64, gridSize)
	for i := range out {
		out[i] = s.unit * float64(i-gridSize/2)
	}
	return out
}

// pooled is a table after pooling: for each group the distribution of θ less the rest's.
type pooled struct {
	names  []string
	from   []cellRange // cells of each group
	groups fit.Groups
}

// cellRange is a range of cells.
type cellRange struct{ lo, hi int }

// pool pools the groups of a table; false with fewer than two groups.
func (t *table) pool(s scale) (pooled, bool, error) {
	var p pooled
	for i := range t.cells {
		if n := len(p.names); n == 0 || p.names[n-1] != t.cells[i].group {
			p.names, p.from = append(p.names, t.cells[i].group), append(p.from, cellRange{i, i})
		}
		p.from[len(p.from)-1].hi = i + 1
	}
	if len(p.names) < 2 {
		return p, false, nil
	}
	taus := fit.HalfNormal(s.spread, tauSteps)
	if !t.counts {
		err := p.estimate(t, s, taus, nil)
		return p, true, err
	}
	// How much the others differ (for cleavers: machines), and how these groups differ
	// before that is taken into account.
	others := others{spread: s.spread / 2, theta: map[string]float64{}, of: map[string][]int{}}
	for i := range t.cells {
		others.of[t.cells[i].other] = append(others.of[t.cells[i].other], i)
	}
	if err := others.learn(t, s, taus); err != nil {
		return p, true, err
	}
	if err := p.estimate(t, s, taus, &others); err != nil {
		return p, true, err
	}
	for i, name := range p.names {
		others.theta[name] = p.groups.Mean(i)
	}
	err := p.estimate(t, s, taus, &others)
	return p, true, err
}

// estimate pools the groups with what is known of the others.
func (p *pooled) estimate(t *table, s scale, taus []float64, others *others) error {
	grid := s.grid()
	rows := make([][]float64, len(p.names))
	for i, span := range p.from {
		rows[i] = make([]float64, len(grid))
		for at := span.lo; at < span.hi; {
			// Cells of one other share its effect.
			end := at + 1
			for end < span.hi && t.cells[end].other == t.cells[at].other {
				end++
			}
			t.add(t.cells[at:end], grid, rows[i], others)
			at = end
		}
	}
	groups, err := fit.PoolGroups(grid, rows, taus)
	p.groups = groups
	return err
}

// add adds the log-likelihood of the cells of a group that share one other.
func (t *table) add(cells []cell, grid, row []float64, others *others) {
	if !t.counts {
		for _, c := range cells {
			for g, x := range grid {
				row[g] -= (c.value - x) * (c.value - x) / (2 * c.variance)
			}
		}
		return
	}
	var sum cell
	for i := range cells {
		sum.add(&cells[i])
	}
	mean, sd := others.without(t, cells[0].group, cells[0].other)
	for g, x := range grid {
		row[g] += t.mixed(&sum, x+mean, sd)
	}
}

func (c *cell) add(o *cell) {
	for k := range classes {
		c.events[k] += o.events[k]
		c.exposure[k] += o.exposure[k]
	}
}

// logLik is the log-likelihood of a cell's counts at θ, up to a constant.
func (t *table) logLik(c *cell, theta float64) float64 {
	beyond, sum := t.base*math.Exp(theta), 0.0
	for k := range classes {
		if c.exposure[k] == 0 {
			continue
		}
		rate := t.explained[k] + beyond
		sum += c.events[k]*math.Log(rate) - c.exposure[k]*rate
	}
	return sum / t.excess
}

// The nodes and weights of Gauss–Hermite quadrature with five points for a standard
// normal distribution (Abramowitz & Stegun, table 25.10, rescaled).
var (
	hermiteNodes   = [5]float64{-2.856970013872806, -1.355626179974266, 0, 1.355626179974266, 2.856970013872806}
	hermiteWeights = [5]float64{0.011257411327720689, 0.2220759220056126, 0.5333333333333333, 0.2220759220056126, 0.011257411327720689}
)

// mixed is the same, averaged over a normal effect u around 0 that adds to θ.
func (t *table) mixed(c *cell, theta, sd float64) float64 {
	if sd == 0 {
		return t.logLik(c, theta)
	}
	var logs [5]float64
	top := math.Inf(-1)
	for k, z := range hermiteNodes {
		logs[k] = math.Log(hermiteWeights[k]) + t.logLik(c, theta+sd*z)
		top = max(top, logs[k])
	}
	sum := 0.0
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	return top + math.Log(sum)
}

// others are the effects of what is beside the groups: of machines, when cleavers are
// compared.
type others struct {
	spread float64 // standard deviation between them
	theta  map[string]float64
	of     map[string][]int // cells of each other
}

// learn estimates how much the others differ among themselves. What a group that never
// leaves its machine adds is then part of it.
func (o *others) learn(t *table, s scale, taus []float64) error {
	if _, one := o.of[""]; one || len(o.of) < 2 {
		o.spread = 0 // nothing is known beside the groups
		return nil
	}
	grid := s.grid()
	var rows [][]float64
	for i := range t.cells {
		at := o.of[t.cells[i].other]
		if at[0] != i {
			continue
		}
		var sum cell
		for _, k := range at {
			sum.add(&t.cells[k])
		}
		row := make([]float64, len(grid))
		for g, x := range grid {
			row[g] = t.logLik(&sum, x)
		}
		rows = append(rows, row)
	}
	groups, err := fit.PoolGroups(grid, rows, taus)
	o.spread = groups.Tau
	return err
}

// without is the effect of an other as its cells of other groups show it, normal around
// a mean: the mode, with the curvature there.
func (o *others) without(t *table, group, other string) (mean, sd float64) {
	if o == nil || o.spread == 0 {
		return 0, 0
	}
	precision := 1 / (o.spread * o.spread)
	curvature := precision
	for range 30 { // Fisher scoring: steps with the expected curvature
		slope := -mean * precision
		curvature = precision
		for _, i := range o.of[other] {
			c := &t.cells[i]
			if c.group == group {
				continue
			}
			beyond := t.base * math.Exp(mean+o.theta[c.group])
			for k := range classes {
				if c.exposure[k] > 0 {
					rate := t.explained[k] + beyond
					slope += (c.events[k]/rate - c.exposure[k]) * beyond / t.excess
					curvature += c.exposure[k] * beyond * beyond / rate / t.excess
				}
			}
		}
		step := min(max(slope/curvature, -1), 1)
		mean += step
		if math.Abs(step) < 1e-6 {
			break
		}
	}
	return mean, 1 / math.Sqrt(curvature)
}
