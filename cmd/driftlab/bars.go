package main

import (
	"fmt"
	"math"

	"arcdrift/drift/advise"
	"arcdrift/drift/blind"
)

// bar is what the median of a measure over the fleets has to reach, or, of what is
// seldom, the measure of all cases together.
type bar struct {
	measure, grade string
	low, high      float64 // either may be infinite
	pooled         bool
}

func within(measure, grade string, low, high float64) bar {
	return bar{measure: measure, grade: grade, low: low, high: high}
}

func atLeast(measure, grade string, low float64) bar { return within(measure, grade, low, math.Inf(1)) }

func atMost(measure, grade string, high float64) bar {
	return within(measure, grade, math.Inf(-1), high)
}

// bars are those of fleets so wished for.
func bars(w blind.Wish) []bar {
	const week = 7
	switch {
	case w.Programs > 1:
		return []bar{atLeast("skill", allData, 0.65), within("interval", allData, 0.74, 0.86)}
	case w.EveryDays >= week:
		return []bar{atLeast("skill", allData, 0.75), within("interval", allData, 0.74, 0.86), atLeast("announced", allData, 0.5)}
	}
	out := []bar{
		atLeast("skill", allData, 0.78), within("interval", allData, 0.76, 0.84),
		atLeast("calls_right", allData, 0.75), atLeast("announced", allData, 0.65),
	}
	const full, correction, passFail = string(advise.Full), string(advise.CorrectionOnly), string(advise.PassFail)
	for grade, s := range map[string]struct{ skill, chance, cost float64 }{
		full: {0.80, 0.09, 0.20}, correction: {0.75, 0.13, 0.35}, passFail: {0.60, 0.18, 0.50},
	} {
		out = append(out, atLeast("skill", grade, s.skill), within("interval", grade, 0.76, 0.84), within("power_interval", grade, 0.74, 0.88),
			atMost("chance_rms", grade, s.chance), atMost("move_cost", grade, s.cost))
	}
	return append(out, atMost("power_rms", full, 0.9), within("power_bias", full, -0.5, 0.5), within("power_bias", correction, -0.5, 0.5))
}

// typingBars are those of whole sessions.
func typingBars() (out []bar) {
	for _, grade := range grades() {
		out = append(out, atLeast("skill_share", grade, 0.9))
	}
	return out
}

// messBars are those of what mess does to the state: one false stop in 1,000
// machine-days, and no right one lost.
func messBars() []bar {
	stops, lost := atMost("false_stops", allData, 1), atMost("true_stops_lost", allData, 0)
	stops.pooled, lost.pooled = true, true
	return []bar{stops, lost}
}

// of is the value that the bar is for.
func (b *bar) of(s *summary) float64 {
	if b.pooled {
		return s.pooled
	}
	return s.median
}

// met says whether a measure reaches the bar; what could not be judged does not.
func (b *bar) met(s *summary) bool { return b.of(s) >= b.low && b.of(s) <= b.high }

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
