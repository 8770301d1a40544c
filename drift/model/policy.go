package model

import (
	"math"
	"slices"

	"arcdrift/drift"
)

// How machines of a kind correct themselves: a part of the deviation, beyond a
// dead band, as far as the limit. It is learnt from attempts that told meltback,
// setting and correction.

// answer is what a machine did about one measured deviation, in log percent.
type answer struct {
	need, moved float64
	passed      bool
	program     string
}

// still is the change of setting, in log percent, below which nothing was changed.
const still = 0.02

// policy learns how the machines correct themselves and where they stop.
func (p *Params) policy(histories []History) {
	p.stops(histories)
	var answers []answer
	var sides []float64
	for _, h := range histories {
		sides = append(sides, h.sides()...)
		answers = p.answers(answers, h)
	}
	p.deadBand(answers)
	p.gains(answers)
	p.unanswered(answers)
	p.sums(answers, histories)
	p.programGains(answers)
	p.resets(histories)
	p.ownSettings(histories)
	// A sender whose two ends always agree does not measure them.
	if len(sides) >= enough {
		if spread := 1.4826 * median(sides); spread >= leastSide {
			p.SideSD = spread
		}
	}
}

// leastSide is the spread of 100·ln(left/right) below which it is rounding.
const leastSide = 0.2

// answers appends those of one machine that were free of its limit: neither cut
// short by it nor, wherever the setting stood, meant to go beyond. Which attempts
// count depends on the deviation only, so that no ratio is selected.
func (p *Params) answers(out []answer, h History) []answer {
	for i := range h.Events {
		ev := &h.Events[i]
		melt, have := ev.Melt.Get()
		next, told := ev.Next.Get()
		setting, placed := ev.Setting.Get()
		if !have || !told || !placed || ev.Conditioning || ev.Clipped {
			continue
		}
		need := -melt / p.Kappa
		limit := ev.Limit.OrElse(p.Limit).Or(furthest)
		if wanted := setting + need; wanted > logPct(limit-nearLimit) || wanted < logPct(-limit+nearLimit) {
			continue
		}
		out = append(out, answer{need, next - setting, ev.Passed, ev.Program})
	}
	return out
}

// nearLimit is how near the limit, in percent, a machine that sets in coarse steps
// may come to rest.
const nearLimit = 0.6

// deadBand finds the deviation up to which machines let their setting be: the
// bound that sorts changed from unchanged with the fewest errors.
func (p *Params) deadBand(answers []answer) {
	p.DeadBand = 0
	sorted := slices.Clone(answers)
	slices.SortFunc(sorted, func(a, b answer) int { return compareAbs(a.need, b.need) })
	changed, passChanged := 0, 0
	for _, a := range sorted {
		if math.Abs(a.moved) > still {
			changed++
			if a.passed {
				passChanged++
			}
		}
	}
	if len(sorted) < enough || changed < enough {
		return
	}
	if passChanged < enough {
		return // after a pass nothing is changed: that is a gain of 0
	}
	// All below the bound unchanged, all above it changed: errors start as the
	// number of unchanged above, 0.
	errors := len(sorted) - changed
	best := errors
	for i, a := range sorted {
		if math.Abs(a.moved) > still {
			errors++
		} else {
			errors--
		}
		if errors < best && i+1 < len(sorted) {
			best, p.DeadBand = errors, math.Abs(a.need)
		}
	}
}

func compareAbs(a, b float64) int {
	switch a, b = math.Abs(a), math.Abs(b); {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// gains learns how much of a deviation beyond the dead band the machines correct:
// the median ratio over attempts that were far enough off to tell; and how far
// corrections lie from that.
func (p *Params) gains(answers []answer) {
	far := max(farOff/p.Kappa, p.DeadBand)
	for _, which := range []struct {
		passed bool
		gain   *float64
	}{{false, &p.GainFail}, {true, &p.GainPass}} {
		var ratios, moved []float64
		for _, a := range answers {
			if a.passed != which.passed || math.Abs(a.need) < far {
				continue
			}
			ratios = append(ratios, a.moved/a.need)
			if math.Abs(a.moved) > still {
				moved = append(moved, a.moved/a.need)
			}
		}
		if len(ratios) < enough {
			continue
		}
		// Fails that are now and then left unanswered (see Idle) do not lessen what an
		// answer is.
		if !which.passed && len(moved) >= enough && 10*len(moved) >= len(ratios) {
			ratios = moved
		}
		*which.gain = min(max(median(ratios), 0), MostGain)
	}
	var off []float64
	for _, a := range answers {
		if gain := p.gain(a.passed); gain >= smallestGain && math.Abs(a.moved) > still {
			off = append(off, math.Abs(a.moved-gain*a.need))
		}
	}
	if len(off) >= enough {
		p.CorrectSD = 1.4826 * median(off)
	}
}

// unanswered learns how often a fail is not answered where nothing stood in the way.
func (p *Params) unanswered(answers []answer) {
	const weight, least, most = 5.0, 0.002, 0.9 // fails' worth of prior
	n, idle := weight, weight*p.Idle
	if p.GainFail < smallestGain {
		return // it answers none
	}
	for _, a := range answers {
		if !a.passed {
			n++
			if math.Abs(a.moved) <= still {
				idle++
			}
		}
	}
	p.Idle = min(max(idle/n, least), most)
}

// MostGain is the largest there is: a machine that corrects more than twice the deviation would swing
// ever wider, and be sent back.
const MostGain = 2.0

// stops finds the limit of a kind that never told it: a setting that none
// exceeds, at which attempts failed that asked for more and nothing was changed.
func (p *Params) stops(histories []History) {
	if p.Limit.Known() {
		return
	}
	top := 0.0
	each := func(use func(ev *Event, setting float64)) {
		for _, h := range histories {
			for i := range h.Events {
				if s, ok := h.Events[i].Setting.Get(); ok {
					use(&h.Events[i], Pct(s))
				}
			}
		}
	}
	each(func(ev *Event, setting float64) { top = max(top, math.Abs(setting), math.Abs(Pct(ev.Next.Or(0)))) })
	stuck := 0
	each(func(ev *Event, setting float64) {
		next, told := ev.Next.Get()
		melt := ev.Melt.Or(0)
		asked := -melt*math.Copysign(1, setting) >= farOff
		if told && !ev.Passed && asked && math.Abs(setting) >= top-0.05 && math.Abs(next-logPct(setting)) < still {
			stuck++
		}
	})
	const often = 5
	if stuck >= often && top > 0 {
		p.Limit = drift.Some(top)
	}
}

// resets learns how often a new pair puts the setting back to nominal.
func (p *Params) resets(histories []History) {
	const weight = 2.0 // pairs' worth of prior
	back, kept := 0.0, 0.0
	for _, h := range histories {
		pair, last, known, program := -1, 0.0, false, ""
		for i := range h.Events {
			ev := &h.Events[i]
			setting, told := ev.Setting.Get()
			if !told {
				continue
			}
			if ev.Pair != pair && known && ev.Program == program {
				const apart, same = 0.5, 0.2
				switch {
				case math.Abs(last) < apart:
				case math.Abs(setting-last) < same:
					kept++
				case math.Abs(setting) < same:
					back++
				}
			}
			next, done := ev.Next.Get()
			pair, last, known, program = ev.Pair, next, done, ev.Program
		}
	}
	p.Resets = (weight*p.Resets + back) / (weight + back + kept)
}

// follows is the part of a deviation that the machine corrects on average over
// all that may lie behind an outcome: after a pass nothing within the dead band,
// wherever in the window the deviation lies.
func (p *Params) follows(passed bool) float64 {
	if !passed {
		return p.GainFail * (1 - p.Idle)
	}
	lo, hi := p.Window()
	width := (hi - lo) / 2
	return p.GainPass * (1 - math.Pow(min(p.DeadBand/width, 1), 3))
}
