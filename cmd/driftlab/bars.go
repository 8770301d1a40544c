package main

import (
	"fmt"
	"math"

	"arcdrift/drift/advise"
	"arcdrift/drift/blind"
)

// bar is what the median of a measure over the fleets has to reach.
type bar struct {
	measure, grade string
	low, high      float64 // either may be infinite
}

func atLeast(measure, grade string, low float64) bar {
	return bar{measure, grade, low, math.Inf(1)}
}

func atMost(measure, grade string, high float64) bar {
	return bar{measure, grade, math.Inf(-1), high}
}

// bars are those of fleets so wished for.
func bars(w blind.Wish) []bar {
	const week = 7
	switch {
	case w.Programs > 1:
		return []bar{atLeast("skill", allData, 0.65), {"interval", allData, 0.74, 0.86}}
	case w.EveryDays >= week:
		return []bar{atLeast("skill", allData, 0.75), {"interval", allData, 0.74, 0.86}, atLeast("announced", allData, 0.5)}
	}
	out := []bar{
		atLeast("skill", allData, 0.78), {"interval", allData, 0.76, 0.84},
		atLeast("calls_right", allData, 0.75), atLeast("announced", allData, 0.65),
	}
	const full, correction, passFail = string(advise.Full), string(advise.CorrectionOnly), string(advise.PassFail)
	for grade, s := range map[string]struct{ skill, chance, cost float64 }{
		full: {0.80, 0.09, 0.20}, correction: {0.75, 0.13, 0.35}, passFail: {0.60, 0.18, 0.50},
	} {
		out = append(out, atLeast("skill", grade, s.skill), bar{"interval", grade, 0.76, 0.84}, bar{"power_interval", grade, 0.74, 0.88},
			atMost("chance_rms", grade, s.chance), atMost("move_cost", grade, s.cost))
	}
	return append(out, atMost("power_rms", full, 0.9), bar{"power_bias", full, -0.5, 0.5}, bar{"power_bias", correction, -0.5, 0.5})
}

// retoldBars are those of whole sessions.
func retoldBars() (out []bar) {
	for _, grade := range grades() {
		out = append(out, atLeast("skill_share", grade, 0.9))
	}
	return out
}

// met says whether a value reaches the bar; what could not be judged does not.
func (b *bar) met(v float64) bool { return v >= b.low && v <= b.high }

// String is the bar for people.
func (b *bar) String() string {
	switch {
	case math.IsInf(b.high, 1):
		return fmt.Sprintf("≥ %.2f", b.low)
	case math.IsInf(b.low, -1):
		return fmt.Sprintf("≤ %.2f", b.high)
	}
	return fmt.Sprintf("%.2f to %.2f", b.low, b.high)
}

// barOf is the bar of a summary, nil if there is none.
func barOf(all []bar, s *summary) *bar {
	for i := range all {
		if all[i].measure == s.key && all[i].grade == s.grade {
			return &all[i]
		}
	}
	return nil
}
