package main

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
)

// cell is a line of the table of stated chances.
type cell struct{ from, to, n, stated, came float64 }

func (c *cell) add(other *cell) {
	c.n, c.stated, c.came = c.n+other.n, c.stated+other.stated, c.came+other.came
}

// gap is the stated chance minus what came.
func (c *cell) gap() float64 { return (c.stated - c.came) / c.n }

// cells adds up days with about the same stated chance; came says how many splices of a
// day came out.
func cells(some []lookedBack, came func(*lookedBack) float64) (out []cell) {
	edges := []float64{0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.01}
	all := make([]cell, len(edges)-1)
	for i := range some {
		l := &some[i]
		b, exact := slices.BinarySearch(edges, l.stated)
		if !exact {
			b--
		}
		all[b].add(&cell{n: float64(l.made), stated: l.stated * float64(l.made), came: came(l)})
	}
	for b := range all {
		if all[b].from, all[b].to = edges[b], min(edges[b+1], 1); all[b].n > 0 {
			out = append(out, all[b])
		}
	}
	return out
}

func outOf(l *lookedBack) float64 { return float64(l.out) }

// leastCell is the share of all splices below which a line of the table is shown, but
// not measured by the bar.
const leastCell = 0.01

// calibrated writes the table of stated chances and returns how far the furthest is from
// what came.
func calibrated(e *env, some []lookedBack) float64 {
	all := cells(some, outOf)
	errs := gapErrors(some, all)
	for i, c := range all {
		known := fmt.Sprintf("with a standard error of %.3f", errs[i])
		if math.IsNaN(errs[i]) {
			known = "of too few machines for a standard error"
		}
		fmt.Fprintf(e.stdout, "%-11s   %.2f to %.2f: %8.0f splices, stated %.3f, came %.3f, %s\n", "", c.from, c.to, c.n, c.stated/c.n, c.came/c.n, known)
	}
	worst, chance := furthest(all), luck(some)
	as, _ := slices.BinarySearch(chance, worst)
	n := len(chance)
	fmt.Fprintf(e.stdout, "%-11s   furthest %.3f; were all chances right, %.3f in the median, %.3f in one case of ten, and as far as this in %.1f %%\n",
		"", worst, chance[n/2], chance[n*9/10], 100*float64(n-as)/float64(n))
	return worst
}

// A stated chance is held against what came in cells of days with about the same chance.
// Splices of one machine share its state, so that few machines may come out far from
// chances that are right. How far is said by the look-backs' own joint draws: each is a
// course that the machine may have taken, with the splices that it would have spoilt.

// luck is how far from the stated chances the furthest cell comes if they are right: one
// value for each of many drawn courses of all machines, in rising order.
func luck(some []lookedBack) []float64 {
	const courses = 400
	rng := rand.New(rand.NewPCG(1, 2))
	out := make([]float64, 0, courses)
	for range courses {
		which := map[string]int{}
		came := func(l *lookedBack) float64 {
			if len(l.draws) == 0 {
				return l.stated * float64(l.made)
			}
			unit := l.fleet + " " + l.machine
			if _, drawn := which[unit]; !drawn {
				which[unit] = rng.IntN(len(l.draws))
			}
			return float64(l.draws[which[unit]%len(l.draws)]) * float64(l.made)
		}
		out = append(out, furthest(cells(some, came)))
	}
	slices.Sort(out)
	return out
}

// furthest is the greatest distance of a stated chance from what came, in cells that are
// large enough to be measured.
func furthest(all []cell) (worst float64) {
	made := 0.0
	for _, c := range all {
		made += c.n
	}
	for _, c := range all {
		if c.n >= leastCell*made {
			worst = max(worst, math.Abs(c.gap()))
		}
	}
	return worst
}

// gapErrors are the standard errors of the gaps of cells: fleets drawn anew or, of one
// fleet, its machines (a bootstrap over clusters; Davison & Hinkley 1997, section 3.8).
// They are NaN where fewer than five have splices in the cell.
func gapErrors(some []lookedBack, all []cell) []float64 {
	const resamples, fewest = 300, 5
	units := map[string][]lookedBack{}
	fleets := map[string]bool{}
	for i := range some {
		fleets[some[i].fleet] = true
	}
	for i := range some {
		l := &some[i]
		unit := l.fleet
		if len(fleets) == 1 {
			unit = l.machine
		}
		units[unit] = append(units[unit], *l)
	}
	var sums [][]cell
	for _, name := range slices.Sorted(maps.Keys(units)) {
		sums = append(sums, cells(units[name], outOf))
	}
	rng := rand.New(rand.NewPCG(1, 3))
	out := make([]float64, len(all))
	for i := range all {
		with := 0
		for _, one := range sums {
			if slices.ContainsFunc(one, func(c cell) bool { return c.from == all[i].from }) {
				with++
			}
		}
		if with < fewest {
			out[i] = math.NaN()
			continue
		}
		var n, sum, squares float64
		for range resamples {
			var again cell
			for range sums {
				one := sums[rng.IntN(len(sums))]
				if at := slices.IndexFunc(one, func(c cell) bool { return c.from == all[i].from }); at >= 0 {
					again.add(&one[at])
				}
			}
			if again.n > 0 {
				g := again.gap()
				n, sum, squares = n+1, sum+g, squares+g*g
			}
		}
		out[i] = math.Sqrt(max(squares/n-sum*sum/n/n, 0))
	}
	return out
}
