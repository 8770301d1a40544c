package advise

import (
	"cmp"
	"math"
	"slices"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// Demand is one machine's share in what its depot should hold.
type Demand struct {
	Machine, Depot string
	// Chance, 0 to 1, that the machine needs a new pair within the lead time;
	// unknown without a forecast.
	Chance drift.Opt[float64]
	// Held is the number of pairs that the depot states it has, the same for all its machines.
	Held drift.Opt[int64]
	// LeadDays is the lead time, in days; Assumed that no setup states it.
	LeadDays float64
	Assumed  bool
}

// Spares is what one depot should hold so that its machines find a pair
// throughout the lead time.
type Spares struct {
	Depot string `json:"depot"`
	// Machines are those that have a forecast, Unknown those that have none and
	// are not counted in.
	Machines int `json:"machines"`
	Unknown  int `json:"unknown"`
	// Expected is the mean number of pairs needed.
	Expected float64 `json:"expected"`
	// Hold95 and Hold99 run out at most once in 20 and once in 100 lead times.
	Hold95 int              `json:"hold_95"`
	Hold99 int              `json:"hold_99"`
	Held   drift.Opt[int64] `json:"held"`
	// LeadDays is the lead time that the figures are for, in days, the longest of the
	// depot's machines; LeadAssumed that no setup states it.
	LeadDays    float64 `json:"lead_time_days"`
	LeadAssumed bool    `json:"lead_time_assumed"`
}

// Lead is the lead time in words.
func (s *Spares) Lead() string {
	days := phrase.Number(s.LeadDays) + " days"
	if s.LeadDays == 1 {
		days = "1 day"
	}
	if s.LeadAssumed {
		days += ", assumed"
	}
	return days
}

// SparesByDepot groups the demand by depot, in order of name.
func SparesByDepot(demand []Demand) []Spares {
	chances := map[string][]float64{}
	depots := map[string]*Spares{}
	for _, d := range demand {
		s := depots[d.Depot]
		if s == nil {
			s = &Spares{Depot: d.Depot}
			depots[d.Depot] = s
		}
		s.Held = s.Held.OrElse(d.Held)
		if d.LeadDays > s.LeadDays {
			s.LeadDays, s.LeadAssumed = d.LeadDays, d.Assumed
		}
		p, ok := d.Chance.Get()
		if !ok {
			s.Unknown++
			continue
		}
		s.Machines++
		s.Expected += p
		chances[d.Depot] = append(chances[d.Depot], p)
	}
	out := make([]Spares, 0, len(depots))
	for name, s := range depots {
		s.Hold95 = PairsToHold(chances[name], 0.95)
		s.Hold99 = PairsToHold(chances[name], 0.99)
		out = append(out, *s)
	}
	slices.SortFunc(out, func(a, b Spares) int { return cmp.Compare(a.Depot, b.Depot) })
	return out
}

// PairsToHold is the smallest number of pairs that suffices with at least the
// given probability when each machine needs one with its own chance, 0 to 1,
// independently of the others: a quantile of the Poisson binomial distribution,
// computed exactly by adding one machine at a time.
//
// The counts that matter lie within a few standard deviations of the mean, so
// the table stops there: what is left out lies above and changes nothing below.
func PairsToHold(chances []float64, probability float64) int {
	var mean, variance float64
	for _, p := range chances {
		mean += p
		variance += p * (1 - p)
	}
	most := min(len(chances), int(mean+12*math.Sqrt(variance)+24))
	// count[k] is the probability that the machines so far need k pairs.
	count := make([]float64, most+1)
	count[0] = 1
	for i, p := range chances {
		for k := min(i+1, most); k > 0; k-- {
			count[k] = count[k]*(1-p) + count[k-1]*p
		}
		count[0] *= 1 - p
	}
	// Sums of rounded products may fall short of a certain 1 by this much.
	const rounding = 1e-12
	sum := 0.0
	for k, c := range count {
		if sum += c; sum >= probability-rounding {
			return k
		}
	}
	return most
}

// ChanceWithin is the chance, 0 to 1, that the pair fails within so many arcs:
// straight lines through the forecast's quantiles and what the horizon leaves;
// unknown without a forecast. Beyond the horizon it stays at the horizon's.
func (e *Electrode) ChanceWithin(arcs float64) drift.Opt[float64] {
	if e.ToFailure == nil {
		return drift.Opt[float64]{}
	}
	type point struct{ arcs, chance float64 }
	points := []point{{}}
	horizon := float64(e.HorizonArcs)
	for _, p := range []point{{e.ToFailure.P10, 0.1}, {e.ToFailure.P50, 0.5}, {e.ToFailure.P90, 0.9}} {
		// A quantile beyond the horizon is given as the horizon: it is no point.
		if p.arcs < horizon {
			points = append(points, p)
		}
	}
	points = append(points, point{horizon, 1 - e.BeyondHorizon.Or(0)})
	for i, high := range points[1:] {
		low := points[i]
		if arcs < high.arcs {
			share := (max(arcs, 0) - low.arcs) / (high.arcs - low.arcs)
			return drift.Some(low.chance + share*(high.chance-low.chance))
		}
	}
	return drift.Some(points[len(points)-1].chance)
}
