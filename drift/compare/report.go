package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"arcdrift/drift/fit"
)

// Group is how one group does in one outcome.
type Group struct {
	By      By      `json:"by"`
	Outcome Outcome `json:"outcome"`
	Name    string  `json:"name"`
	// Records is how many stand behind it: sessions for failed tries, pairs, services or
	// stretches between services for the others. Failures of lives are Ended.
	Records  int `json:"records"`
	Ended    int `json:"ended"`
	Machines int `json:"machines"`
	// Mean compares the group with the rest of the fleet, Low and High are the values
	// between which it lies eight times in ten: ratios, for growth a difference in percent
	// per 1000 arcs.
	Mean float64 `json:"mean"`
	Low  float64 `json:"low"`
	High float64 `json:"high"`
	// Chance is that of being worse by the relevant amount.
	Chance  float64 `json:"chance_worse"`
	Verdict Verdict `json:"verdict"`
	Words   string  `json:"words"`
}

// Report compares the groups of a fleet, the likeliest to be worse first in each table.
type Report struct {
	AsOf     time.Time     `json:"as_of"`
	Days     int           `json:"days"`
	Groups   []Group       `json:"groups"`
	Cleavers []CleaverLife `json:"cleavers"`
	// Rules say how a verdict is made, Limits what is not taken into account.
	Rules  []string `json:"rules"`
	Limits []string `json:"limits"`
}

// Of are the groups of a grouping, by outcome.
func (r *Report) Of(by By) []Group {
	var out []Group
	for _, g := range r.Groups {
		if g.By == by {
			out = append(out, g)
		}
	}
	return out
}

// Keep leaves the groups of some groupings, and cleavers' lives if they are among them.
func (r *Report) Keep(bys []By) {
	r.Groups = slices.DeleteFunc(r.Groups, func(g Group) bool { return !slices.Contains(bys, g.By) })
	if !slices.Contains(bys, ByCleaver) {
		r.Cleavers = []CleaverLife{}
	}
}

// All compares the groups of a fleet.
func All(machines []Machine, asOf time.Time) (Report, error) {
	machines = slices.Clone(machines)
	slices.SortFunc(machines, func(a, b Machine) int { return cmp.Compare(a.Name, b.Name) })
	lives, blunt := cleavers(machines)
	r := Report{AsOf: asOf, Days: Days, Groups: []Group{}, Cleavers: append([]CleaverLife{}, lives...), Rules: rules(blunt), Limits: limits()}
	lots := lotsOf(machines)
	for _, by := range Bys() {
		for _, outcome := range outcomes(by) {
			t, some := cellsOf(machines, lots, by, outcome)
			if !some {
				continue
			}
			groups, err := t.compare()
			if err != nil {
				return Report{}, fmt.Errorf("comparing %s by %s: %w", outcome, by, err)
			}
			r.Groups = append(r.Groups, groups...)
		}
	}
	return r, nil
}

// compare pools a table and compares each group with the rest.
func (t *table) compare() ([]Group, error) {
	s := t.scale()
	p, several, err := t.pool(s)
	if err != nil || !several {
		return nil, err
	}
	means, vars, weights := make([]float64, len(p.names)), make([]float64, len(p.names)), make([]float64, len(p.names))
	all := 0.0
	for i := range p.names {
		means[i], vars[i] = p.groups.Mean(i), p.groups.SD(i)*p.groups.SD(i)
		for _, c := range t.cells[p.from[i].lo:p.from[i].hi] {
			if t.counts {
				for _, x := range c.exposure {
					weights[i] += x
				}
			} else {
				weights[i] += 1 / c.variance
			}
		}
		all += weights[i]
	}
	sum, sumVar := 0.0, 0.0
	for i, w := range weights {
		sum += w * means[i]
		sumVar += w * w * vars[i]
	}
	out := make([]Group, len(p.names))
	for i, name := range p.names {
		w := weights[i]
		rest := max(all-w, 1e-12)
		mean := (sum - w*means[i]) / rest
		sd := math.Sqrt(max(sumVar-w*w*vars[i], 0)) / rest
		// θ less the rest's: the distribution of the difference.
		beside := fit.Groups{Grid: p.groups.Grid, Post: [][]float64{p.groups.Less(i, mean, sd)}}
		out[i] = t.group(name, t.cells[p.from[i].lo:p.from[i].hi], beside, s)
	}
	slices.SortFunc(out, func(a, b Group) int {
		return cmp.Or(cmp.Compare(b.Chance, a.Chance), cmp.Compare(a.Name, b.Name))
	})
	return out, nil
}

func (t *table) group(name string, cells []cell, d fit.Groups, s scale) Group {
	g := Group{By: t.by, Outcome: t.outcome, Name: name, Chance: math.Round(1000*d.Above(0, s.relevant)) / 1000}
	on := map[string]bool{}
	for _, c := range cells {
		g.Records += c.records
		on[c.machine] = true
		if t.shape > 0 {
			g.Ended += int(c.events[0])
		}
	}
	g.Machines = len(on)
	value := func(x float64) float64 {
		switch {
		case t.outcome == Growth:
		case t.shape > 0:
			x = math.Exp(-x / t.shape)
		default:
			x = math.Exp(x)
		}
		return math.Round(1000*x) / 1000
	}
	g.Mean, g.Low, g.High = value(d.Quantile(0, 0.5)), value(d.Quantile(0, 0.1)), value(d.Quantile(0, 0.9))
	if g.Low > g.High {
		g.Low, g.High = g.High, g.Low
	}
	switch {
	case g.Chance > surely:
		g.Verdict = Worse
	case g.Chance < unlikely && g.Records >= s.least:
		g.Verdict = NoWorse
	default:
		g.Verdict = CannotTell
	}
	g.Words = g.words()
	return g
}
