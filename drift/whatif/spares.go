package whatif

import (
	"slices"
	"time"
)

// Spares is what a stock of so many pairs comes to at a depot: each pair that is used is
// ordered again at once and comes after the lead time (a base stock).
type Spares struct {
	Depot string `json:"depot"`
	Pairs int    `json:"spare_pairs"`
	// LeadDays is the lead time.
	LeadDays float64 `json:"lead_time_days"`
	// Used is how many pairs were fitted in so many Days, Short how many of them would
	// have found none on the shelf, Empty the share of the time with an empty shelf.
	Used  int     `json:"used"`
	Days  float64 `json:"days"`
	Short int     `json:"short"`
	Empty float64 `json:"empty_share"`
}

// SparesOf replays a depot's demand, the times at which pairs were fitted, between two
// moments, on a stock that is full at the first.
func SparesOf(demand []time.Time, pairs int, lead time.Duration, from, to time.Time) Spares {
	out := Spares{Pairs: pairs, LeadDays: lead.Hours() / 24, Days: to.Sub(from).Hours() / 24}
	times := slices.SortedFunc(slices.Values(demand), time.Time.Compare)
	var coming []time.Time // when each pair under order arrives, in order
	empty, at := time.Duration(0), from
	pass := func(until time.Time) {
		for len(coming) > 0 && !coming[0].After(until) {
			if len(coming) >= pairs {
				empty += coming[0].Sub(at)
			}
			at, coming = coming[0], coming[1:]
		}
		if len(coming) >= pairs {
			empty += until.Sub(at)
		}
		at = until
	}
	for _, t := range times {
		if t.Before(from) || t.After(to) {
			continue
		}
		pass(t)
		out.Used++
		if len(coming) >= pairs {
			out.Short++
		}
		coming = append(coming, t.Add(lead))
	}
	pass(to)
	if to.After(from) {
		out.Empty = float64(empty) / float64(to.Sub(from))
	}
	return out
}
