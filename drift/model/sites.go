package model

import (
	"math"
	"slices"

	"arcdrift/drift/air"
)

// A machine that reports the name of its site but neither height nor pressure stands where
// others stand that report them. So the heights of sites are learnt with the populations,
// and such a machine is placed there.

// Sites has the thinness of the air at each site whose height is known: 100·ln of the
// reference pressure over the station pressure.
type Sites map[string]float64

// thinness is that of a station pressure.
func thinness(pressureHPa float64) float64 {
	return 100 * math.Log(air.ReferencePressureHPa/pressureHPa)
}

const (
	// leastReadings is how many attempts at a site make its height known.
	leastReadings = 3
	// sameHeight is the spread of a site's readings, from their first to their third
	// quartile, up to which the name means one place: weather, and some 100 m.
	sameHeight = 2.0
)

// sitesOf learns the sites from the machines that report height or pressure.
func sitesOf(histories []History) Sites {
	read := map[string][]float64{}
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			if ev.Kind == Attempt && ev.NewSession && ev.Site != "" && !ev.NeverTold.Pressure {
				read[ev.Site] = append(read[ev.Site], ev.Thin)
			}
		}
	}
	var out Sites // nil for none, as it is kept
	for site, all := range read {
		slices.Sort(all)
		if n := len(all); n >= leastReadings && all[3*n/4]-all[n/4] <= sameHeight {
			if out == nil {
				out = Sites{}
			}
			out[site] = median(all)
		}
	}
	return out
}

// Placed puts an attempt of a machine that never reports height or pressure at the height
// of its site, if that is known. The event stays as it is.
func (p *Params) Placed(ev *Event) *Event {
	if !ev.NeverTold.Pressure || ev.NeverTold.Temperature {
		return ev
	}
	thin, known := p.Sites[ev.Site]
	if !known {
		return ev
	}
	with := *ev
	with.Air[0] += thin
	with.NeverTold.Pressure = false
	return &with
}
