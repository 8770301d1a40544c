package model

import (
	"math"
	"slices"

	"arcdrift/drift"
)

// Machines of a kind correct themselves by a share of the deviation, beyond a dead band,
// up to the limit. The parameters are estimated from attempts that reported meltback,
// setting and correction.

// answer is the correction after one measured deviation, both in log percent.
type answer struct {
	setting, need, moved float64
	passed               bool
	program              string
}

// still is the change of setting, in log percent, below which nothing was changed.
const still = 0.02

// policy estimates how the machines correct themselves and where they stop.
func (p *Params) policy(histories []History) {
	p.stops(histories)
	var answers []answer
	var sides []float64
	for _, h := range histories {
		sides = append(sides, h.sides()...)
		answers = p.answers(answers, h)
	}
	p.deadBand(answers)
	p.steps(answers, histories)
	p.gains(answers)
	p.unanswered(answers)
	p.sums(answers, histories)
	p.programGains(answers)
	p.resets(histories)
	p.ownSettings(histories)
	// Where the two ends always agree, they are not measured.
	if len(sides) >= enough {
		if spread := 1.4826 * median(sides); spread >= leastSide {
			p.SideSD = spread
		}
	}
}

// leastSide is the spread of 100·ln(left/right) below which it is rounding.
const leastSide = 0.2

// answers appends those of one machine that its limit did not affect: neither cut short
// by it nor aimed beyond it. Which attempts count depends on the deviation only, so that
// the ratios are not selected.
func (p *Params) answers(out []answer, h History) []answer {
	for i := range h.Events {
		ev := &h.Events[i]
		melt, have := ev.Melt.Get()
		next, stated := ev.Next.Get()
		setting, placed := ev.Setting.Get()
		if !have || !stated || !placed || ev.Conditioning || ev.Clipped {
			continue
		}
		need := -melt / p.Kappa
		limit := ev.Limit.OrElse(p.Limit).Or(furthest)
		if wanted := setting + need; wanted > logPct(limit-nearLimit) || wanted < logPct(-limit+nearLimit) {
			continue
		}
		out = append(out, answer{setting, need, next - setting, ev.Passed, ev.Program})
	}
	return out
}

// nearLimit is the distance from the limit, in percent, at which a machine with coarse
// steps may stop.
const nearLimit = 0.6

// AtLimit says whether a setting, in log percent, is so near the limit, in percent, that
// an attempt reported, or else that of the kind, that no further step may fit in.
func (p *Params) AtLimit(setting float64, limit drift.Opt[float64]) bool {
	return math.Abs(Pct(setting)) > limit.OrElse(p.Limit).Or(furthest)-max(nearLimit, p.LargestStep)
}

// deadBand estimates the deviation up to which machines do not change their setting: the
// bound that separates changed from unchanged with the fewest errors.
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

// farFrom is the deviation from which on corrections tell the gain.
func (p *Params) farFrom() float64 { return max(farOff/p.Kappa, p.DeadBand) }

// gains estimates GainFail and GainPass, the median ratio of correction to deviation over
// attempts that were far enough off, unless [Params.steps] did, and CorrectSD, how far
// corrections lie from that.
func (p *Params) gains(answers []answer) {
	far := p.farFrom()
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
		if len(ratios) < enough || p.LargestStep > 0 {
			continue
		}
		// Fails without a correction (see Idle) do not count in the gain.
		if !which.passed && len(moved) >= enough && 10*len(moved) >= len(ratios) {
			ratios = moved
		}
		*which.gain = min(max(median(ratios), 0), MostGain)
	}
	var off []float64
	for _, a := range answers {
		if gain := p.gain(a.passed); gain >= smallestGain && math.Abs(a.moved) > still {
			off = append(off, math.Abs(a.moved-p.Corrects(gain, a.need, a.setting)))
		}
	}
	if len(off) >= enough {
		p.CorrectSD = 1.4826 * median(off)
	}
}

// unanswered estimates Idle: how often a fail is not followed by a correction although
// the limit allowed one.
func (p *Params) unanswered(answers []answer) {
	if p.GainFail < smallestGain {
		return // there are no corrections after fails
	}
	n, idle := 0.0, 0.0
	for _, a := range answers {
		if !a.passed {
			n++
			if math.Abs(a.moved) <= still {
				idle++
			}
		}
	}
	p.leftAlone(idle, n)
}

// leftAlone updates Idle by so many fails of n without a correction.
func (p *Params) leftAlone(idle, n float64) {
	const weight, least, most = 5.0, 0.002, 0.9 // fails' worth of prior
	p.Idle = min(max((weight*p.Idle+idle)/(weight+n), least), most)
}

// MostGain is the largest gain: a machine that corrects more than twice the deviation would
// be unstable.
const MostGain = 2.0

// stops estimates the limit of a kind that never reported it: the largest setting, if
// attempts failed there that called for more, or whole sessions began there with a fail, and
// nothing was changed.
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
	const about = 0.05
	stuck, moved := 0, 0
	each(func(ev *Event, setting float64) {
		// Of a whole session only the sum is known: nothing was changed after a fail at the
		// top, however often.
		if sum, whole := ev.Moved.Get(); whole && math.Abs(setting-sum) >= top-about {
			if math.Abs(sum) <= rounding {
				stuck++
			} else {
				moved++
			}
		}
		next, stated := ev.Next.Get()
		melt := ev.Melt.Or(0)
		asked := -melt*math.Copysign(1, setting) >= farOff
		if stated && !ev.Passed && asked && math.Abs(setting) >= top-about && math.Abs(next-logPct(setting)) < still {
			stuck++
		}
	})
	const often, mostly = 5, 4
	if stuck >= often && stuck > mostly*moved && top > 0 {
		p.Limit = drift.Some(top)
	}
}

// resets estimates how often the setting returns to nominal with a new pair.
func (p *Params) resets(histories []History) {
	const weight = 2.0 // pairs' worth of prior
	back, kept := 0.0, 0.0
	for _, h := range histories {
		pair, last, known, program := -1, 0.0, false, ""
		for i := range h.Events {
			ev := &h.Events[i]
			setting, stated := ev.Setting.Get()
			if !stated {
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

// follows returns the share of a deviation that the machine corrects on average given the
// outcome only: after a fail, at a deviation a little beyond the window; after a pass, over
// deviations uniform in the window, none within the dead band.
func (p *Params) follows(passed bool) float64 {
	lo, hi := p.Window()
	width := (hi - lo) / 2
	if !passed {
		return p.shareOf(p.GainFail, beyond*width) * (1 - p.Idle)
	}
	return p.followsWithin(p.GainPass, width)
}
