package main

import (
	"math/rand/v2"

	"arcdrift/drift/lookback"
)

// audited is a machine whose splices are measured again some at a time: what is found says
// more of the others.
type audited struct {
	grade string
	days  []lookedBack
	lots  []lookback.Lot
}

// together is how many splices of a day are measured at a time.
const together = 10

// oneAfterAnother is how many splices have to be measured again to miss no more bad ones
// than so many, where the chances of all others are worked out anew after each few.
func oneAfterAnother(machines []audited, missed int) (cost int) {
	const rounds = 8
	low, high := 0.0, 1.0
	for i := range machines {
		for _, d := range machines[i].days {
			cost += d.made
		}
	}
	for range rounds {
		down := (low + high) / 2
		again, misses := 0, 0
		for i := range machines {
			a, m := machines[i].measure(down, rand.New(rand.NewPCG(uint64(i), 1)))
			again, misses = again+a, misses+m
		}
		if misses > missed {
			high = down
			continue
		}
		low, cost = down, again
	}
	return cost
}

// measure goes on, worst first, until no splice has a chance of so much or more. It
// returns how many it measured and how many bad ones it missed.
func (a *audited) measure(down float64, rng *rand.Rand) (again, missed int) {
	left := map[string]*workday{}
	for i := range a.days {
		w := a.days[i].workday
		left[a.days[i].day] = &w
		missed += w.out
	}
	if len(a.lots) == 0 {
		return 0, missed
	}
	s := lookback.NewSampling(a.lots)
	for {
		worst, top := -1, down
		for i := range a.lots {
			if w := left[a.lots[i].Entry.Day]; w == nil || w.made == 0 {
				continue
			}
			if chance := s.Chance(i); chance >= top {
				worst, top = i, chance
			}
		}
		if worst < 0 {
			return again, missed
		}
		w, bad := left[a.lots[worst].Entry.Day], 0
		n := min(together, w.made)
		for range n {
			if rng.IntN(w.made) < w.out {
				bad++
				w.out--
			}
			w.made--
		}
		s.Saw(worst, n, bad)
		again, missed = again+n, missed-bad
	}
}
