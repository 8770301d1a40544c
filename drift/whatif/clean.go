package whatif

import (
	"math/rand/v2"
	"slices"
	"time"

	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Cleaning is what service at so many arcs comes to. At is those arcs, 0 for how it was.
// Services and Failures are per 10,000 arcs; a service is a cleaning or a new pair.
type Cleaning struct {
	At       float64 `json:"at_arcs"`
	Services Range   `json:"services_per_10000_arcs"`
	Failures Range   `json:"failures_per_10000_arcs"`
	// Lives is how many stretches it rests on, Failed how many of them ended in a failure.
	Lives  int `json:"stretches"`
	Failed int `json:"failed"`
	// Beyond is whether the history knows nothing of a pair left so long.
	Beyond bool `json:"beyond_history"`
}

// Stretches are the lives since the last service of the pairs of a machine, in arcs: each
// begins with a cleaning or another pair and ends with a failure, or goes on to the next
// service or the end of the records.
func Stretches(h *model.History) []fit.Life {
	failed := map[int]bool{}
	all, _ := forecast.Failures(h, func(time.Time) bool { return true })
	for _, f := range all {
		failed[f.From] = true
	}
	var out []fit.Life
	from, arcs, pair, watched := 0.0, 0.0, -1, false
	end := func(ended bool) {
		if watched && arcs > from {
			out = append(out, fit.Life{Length: arcs - from, Ended: ended})
		}
		watched = false
	}
	for i := range h.Events {
		ev := &h.Events[i]
		if ev.Pair != pair { // what came before it is over
			end(false)
			// Of the first pair nobody knows how long ago it was serviced.
			pair, from, watched = ev.Pair, 0, i > 0
		}
		arcs = ev.Arcs
		switch {
		case failed[i]:
			end(true)
		case ev.Kind == model.Cleaned:
			end(false)
			from, watched = arcs, true
		}
	}
	end(false)
	return out
}

// CleanAt says what service at so many arcs since the last one comes to, or at a failure
// if that is earlier. It is the renewal-reward theorem on the Kaplan-Meier survival S of
// the stretches: a cycle lasts ∫₀ᵃ S(u) du arcs and ends in a failure with the chance
// 1 − S(a). An error says that there are no stretches.
//
// Services that were made because wear showed end stretches that would have failed soon,
// so that failures under a longer interval are understated.
func CleanAt(lives []fit.Life, at float64, seed uint64) (Cleaning, error) {
	table, err := fit.NewLifeTable(lives)
	if err != nil {
		return Cleaning{}, err
	}
	out := Cleaning{At: at, Lives: len(lives), Beyond: at > table.Last}
	for i := range lives {
		if lives[i].Ended {
			out.Failed++
		}
	}
	services, failures := renewal(lives, &table, at)
	var s, f []float64
	rng := rand.New(rand.NewPCG(seed, 0))
	drawn := make([]fit.Life, len(lives))
	for range resamples {
		for i := range drawn {
			drawn[i] = lives[rng.IntN(len(lives))]
		}
		again, err := fit.NewLifeTable(drawn)
		if err != nil {
			return Cleaning{}, err
		}
		a, b := renewal(drawn, &again, at)
		s, f = append(s, a), append(f, b)
	}
	out.Services, out.Failures = rangeOf(s), rangeOf(f)
	out.Services.Mean, out.Failures.Mean = services, failures
	return out, nil
}

// per is the arcs that rates are given for.
const per = 10000

// renewal is services and failures per so many arcs.
func renewal(lives []fit.Life, table *fit.LifeTable, at float64) (services, failures float64) {
	ages := []float64{0}
	for i := range lives {
		if lives[i].Ended && lives[i].Length < at {
			ages = append(ages, lives[i].Length)
		}
	}
	slices.Sort(ages)
	cycle := 0.0
	for i, age := range ages {
		next := at
		if i+1 < len(ages) {
			next = ages[i+1]
		}
		s, _ := table.Survival(age)
		cycle += s * (next - age)
	}
	s, _ := table.Survival(at)
	return per / cycle, per * (1 - s) / cycle
}

// AsItWas is what the history itself came to.
func AsItWas(lives []fit.Life, seed uint64) Cleaning {
	out := Cleaning{Lives: len(lives)}
	count := func(drawn []fit.Life) (services, failures float64) {
		arcs := 0.0
		for i := range drawn {
			arcs += drawn[i].Length
			services++
			if drawn[i].Ended {
				failures++
			}
		}
		return per * services / arcs, per * failures / arcs
	}
	for i := range lives {
		if lives[i].Ended {
			out.Failed++
		}
	}
	if len(lives) == 0 {
		return out
	}
	var s, f []float64
	rng := rand.New(rand.NewPCG(seed, 0))
	drawn := make([]fit.Life, len(lives))
	for range resamples {
		for i := range drawn {
			drawn[i] = lives[rng.IntN(len(lives))]
		}
		a, b := count(drawn)
		s, f = append(s, a), append(f, b)
	}
	out.Services, out.Failures = rangeOf(s), rangeOf(f)
	out.Services.Mean, out.Failures.Mean = count(lives)
	return out
}
