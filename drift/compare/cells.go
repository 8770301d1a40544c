package compare

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// cell is what one group has on one machine (for machines: with one cleaver): counts of
// events and their exposure by class, or an estimate with its variance.
type cell struct {
	group, other     string
	machine          string
	records          int
	events, exposure [classes]float64
	value, variance  float64
}

// table is one outcome of one grouping, before it is pooled.
type table struct {
	by      By
	outcome Outcome
	cells   []cell
	counts  bool
	// In class k events come at the rate explained[k] + base·exp(θ) per exposure, and
	// vary by so many times as much as independent ones.
	explained [classes]float64
	base      float64
	excess    float64
	// shape turns a ratio of hazards into one of lives; 0 for others.
	shape float64
}

// cellsOf lays out an outcome; false where the records say nothing of it.
func cellsOf(machines []Machine, lots lots, by By, outcome Outcome) (table, bool) {
	t := table{by: by, outcome: outcome}
	switch outcome {
	case FailedTries:
		t.counts = true
		t.tries(machines)
	case PairLife, CleaningHolds, NewPairHolds:
		t.counts = true
		if !t.hazards(machines, lots) {
			return t, false
		}
	default:
		t.numbers(machines, lots)
	}
	slices.SortFunc(t.cells, func(a, b cell) int {
		return cmp.Or(strings.Compare(a.group, b.group), strings.Compare(a.other, b.other))
	})
	return t, len(t.cells) > 0
}

// groupOf names the group and, beside it, what else may be the cause.
func (t *table) groupOf(m *Machine, cleaver, site, lot string) (group, other string) {
	switch t.by {
	case ByCleaver:
		return cleaver, m.Name
	case BySite:
		return site, m.Name
	case ByLot:
		return lot, m.Name
	case ByModel:
		return m.Model, m.Name
	case ByService:
		return m.Depot, m.Name
	}
	return m.Name, cleaver
}

// tries lays out failed tries. In each class of the model's chance the fleet's share of
// failed tries is what the electrodes explain and base, the share of bad ends. The tries of a session are not
// independent: likelihoods are divided by the ratio of variance to mean of the failed
// tries of a session (quasi-likelihood; Wedderburn 1974, Biometrika 61:439).
func (t *table) tries(machines []Machine) {
	var all tally
	failed := 0.0
	for i := range machines {
		for _, one := range machines[i].tries {
			all.add(one)
		}
	}
	for c := range classes {
		failed += all.failed[c]
	}
	if failed == 0 {
		return
	}
	mean := failed / float64(all.sessions)
	t.excess = max(1, (all.squares/float64(all.sessions)-mean*mean)/mean)
	t.base = all.badEnds()
	for c := range classes {
		if all.tries[c] > 0 {
			t.explained[c] = max(all.failed[c]/all.tries[c]-t.base, 0)
		}
	}
	for i := range machines {
		m := &machines[i]
		sums := map[[2]string]*cell{}
		for key, one := range m.tries {
			group, other := t.groupOf(m, key.cleaver, key.site, "")
			if group == "" {
				continue
			}
			c := sums[[2]string{group, other}]
			if c == nil {
				c = &cell{group: group, other: other, machine: m.Name}
				sums[[2]string{group, other}] = c
			}
			c.records += one.sessions
			for k := range classes {
				c.events[k] += one.failed[k]
				c.exposure[k] += one.tries[k]
			}
		}
		for _, c := range sums {
			t.cells = append(t.cells, *c)
		}
	}
}

func (t *tally) add(o *tally) {
	t.sessions += o.sessions
	t.squares += o.squares
	for c := range classes {
		t.tries[c] += o.tries[c]
		t.failed[c] += o.failed[c]
		t.chance[c] += o.chance[c]
	}
}

// badEnds is the share of tries that fail for another reason than the electrodes: where
// the line through the classes' shares, weighted by their binomial variances, meets a
// chance of 0. Tries of one class only say nothing of the electrodes.
func (t *tally) badEnds() float64 {
	var n, x, y, xx, xy float64
	for c := range classes {
		if tries := t.tries[c]; tries > 0 {
			p, rate := t.chance[c]/tries, t.failed[c]/tries
			near := (t.failed[c] + 0.5) / (tries + 1)
			w := tries / (near * (1 - near))
			n, x, y, xx, xy = n+w, x+w*p, y+w*rate, xx+w*p*p, xy+w*p*rate
		}
	}
	const least = 0.005
	all := y / n
	slope := 0.0
	if sxx := xx - x*x/n; sxx > 1e-9*n {
		slope = max((xy-x*y/n)/sxx, 0)
	}
	return min(max(all-slope*x/n, least), max(all, least))
}

// hazards compares lives by a Weibull distribution whose shape the fleet shares: on the
// clock (arcs/scale)^shape failures come at an even rate.
func (t *table) hazards(machines []Machine, lots lots) bool {
	action := map[Outcome]drift.Action{CleaningHolds: drift.Cleaned, NewPairHolds: drift.Replaced}[t.outcome]
	var lives []fit.Life
	for i := range machines {
		for _, l := range machines[i].lives {
			if l.action == action {
				lives = append(lives, fit.Life{Length: l.arcs, From: l.from, Ended: l.ended})
			}
		}
	}
	if len(lives) == 0 {
		return false
	}
	w, err := fit.FitWeibull(lives)
	if err != nil {
		return false // too few have ended to know the shape
	}
	// With few lives the shape may run away; an electrode pair wears, but not to the day.
	t.shape = min(max(w.Shape, 0.7), 6)
	if t.shape != w.Shape {
		w.Shape = t.shape
		w.Scale = scaleAt(lives, t.shape)
	}
	t.base, t.excess = 1, 1
	clock := func(arcs float64) float64 { return math.Pow(arcs/w.Scale, w.Shape) }
	factor := t.modelHazards(machines, action, clock)
	for i := range machines {
		m := &machines[i]
		for _, l := range m.lives {
			group, other := t.groupOf(m, "", "", lots.of(l.lot))
			if l.action != action || group == "" {
				continue
			}
			c := cell{group: group, other: other, machine: m.Name, records: 1}
			c.exposure[0] = (clock(l.arcs) - clock(l.from)) * factor[m.Model]
			if l.ended {
				c.events[0] = 1
			}
			t.cells = append(t.cells, c)
		}
	}
	return true
}

// modelHazards is how many times as often each model's pairs fail as the fleet's, drawn
// towards 1 by as much as two failures say; 1 where models themselves are compared.
func (t *table) modelHazards(machines []Machine, action drift.Action, clock func(float64) float64) map[string]float64 {
	const weight = 2
	ended, exposed := map[string]float64{}, map[string]float64{}
	for i := range machines {
		for _, l := range machines[i].lives {
			if l.action != action {
				continue
			}
			exposed[machines[i].Model] += clock(l.arcs) - clock(l.from)
			if l.ended {
				ended[machines[i].Model]++
			}
		}
	}
	factor := map[string]float64{}
	for model, x := range exposed {
		factor[model] = (ended[model] + weight) / (x + weight)
		if t.by == ByModel {
			factor[model] = 1
		}
	}
	return factor
}

// scaleAt is the likeliest scale at a shape.
func scaleAt(lives []fit.Life, shape float64) float64 {
	var sum, ends, longest float64
	for _, l := range lives {
		longest = max(longest, l.Length)
	}
	for _, l := range lives {
		sum += math.Pow(l.Length/longest, shape) - math.Pow(l.From/longest, shape)
		if l.Ended {
			ends++
		}
	}
	return longest * math.Pow(sum/ends, 1/shape)
}

// numbers are the stretches' own values. Between stretches of one kind values differ by
// more than their errors: that spread, over the whole fleet, is added to each. Values
// are less the model's mean, unless models are compared, and scatter less what it grows
// with the arcs on the pair.
func (t *table) numbers(machines []Machine, lots lots) {
	var ages []float64
	of := map[string][]int{} // cells by model
	for i := range machines {
		m := &machines[i]
		for _, s := range m.stretches {
			group, other := t.groupOf(m, "", "", lots.of(s.lot))
			c := cell{group: group, other: other, machine: m.Name, records: 1, value: s.growth, variance: s.growthVar}
			if t.outcome == Scatter {
				c.value, c.variance = s.scatter, s.scatterVar
			}
			model := m.Model
			if t.by == ByModel {
				model = ""
			}
			of[model] = append(of[model], len(t.cells))
			t.cells, ages = append(t.cells, c), append(ages, s.arcs)
		}
	}
	if t.outcome == Scatter {
		t.without(ages)
	}
	for _, at := range of {
		if !t.centre(at) {
			for _, i := range at {
				t.cells[i].group = "" // too few of the model to know its mean
			}
		}
	}
	t.cells = slices.DeleteFunc(t.cells, func(c cell) bool { return c.group == "" })
}

// without takes the line of the values over their ages off them.
func (t *table) without(ages []float64) {
	var n, x, y, xx, xy float64
	for i, age := range ages {
		n, x, y, xx, xy = n+1, x+age, y+t.cells[i].value, xx+age*age, xy+age*t.cells[i].value
	}
	sxx := xx - x*x/n
	if n < 3 || sxx <= 0 {
		return
	}
	slope := (xy - x*y/n) / sxx
	for i, age := range ages {
		t.cells[i].value -= slope * (age - x/n)
	}
}

// centre takes the pooled mean of some cells off them and adds the spread between them;
// false for fewer than two.
func (t *table) centre(at []int) bool {
	var values, variances []float64
	for _, i := range at {
		values, variances = append(values, t.cells[i].value), append(variances, t.cells[i].variance)
	}
	pooled, err := fit.Pool(values, variances, fit.Prior{})
	if err != nil {
		return false
	}
	for _, i := range at {
		t.cells[i].value -= pooled.Mean
		t.cells[i].variance += pooled.Between
	}
	return true
}

// lots tell a lot from a serial number: a label of several pairs is a lot, and so is
// what stands before the last “/” of the labels of pairs on several machines.
type lots map[string]string

func lotsOf(machines []Machine) lots {
	pairs, on := map[string]int{}, map[string]map[string]bool{}
	for i := range machines {
		for _, l := range machines[i].lives {
			if l.action != "" || l.lot == "" {
				continue
			}
			pairs[l.lot]++
			if before := beforeSlash(l.lot); before != "" {
				if on[before] == nil {
					on[before] = map[string]bool{}
				}
				on[before][machines[i].Name] = true
			}
		}
	}
	out := lots{}
	for label, n := range pairs {
		switch before := beforeSlash(label); {
		case n > 1:
			out[label] = label
		case len(on[before]) > 1:
			out[label] = before
		}
	}
	return out
}

func beforeSlash(label string) string {
	i := strings.LastIndexByte(label, '/')
	if i <= 0 {
		return ""
	}
	return strings.TrimSpace(label[:i])
}

// of is the lot of a pair's label, "" for a serial number.
func (l lots) of(label string) string { return l[label] }
