package delta

import "math"

// How a firmware finds its correction.
const (
	proportional = iota // a share of the error
	stepwise            // one fixed step towards the target
	halving             // a step that halves after each attempt of the session
)

// What a firmware does with a correction that would pass the limit.
const (
	clips   = iota // goes to the limit and tells the part it made
	refuses        // makes none and tells 0
	hushes         // goes to the limit; once there tells no correction
)

// firmware is the machine's own rule of correction. Percent are points of setting.
type firmware struct {
	how, edge int
	gain      float64 // share of the error, when proportional
	dead      float64 // share of target within which nothing is corrected
	step      float64 // %, of stepwise and of the first halving
	round     float64 // %
	afterPass bool
	giveBack  bool // a session given up leaves the setting as it was found
}

// correct is the change of setting after an attempt, and whether the machine tells
// one. first counts attempts of the session from 1; exponent is the machine's.
func (f *firmware) correct(setting, limit, mean float64, g *program, exponent float64, attempt int, passed bool) (change float64, told bool) {
	off := mean/g.target - 1
	if passed && !f.afterPass || math.Abs(off) < f.dead {
		return 0, true
	}
	switch f.how {
	case proportional:
		// Far off, the machine does not trust its sums.
		change = -100 * f.gain * max(-0.5, min(0.5, off)) / exponent
	case stepwise:
		change = math.Copysign(f.step, -off)
	default:
		change = math.Copysign(f.step/math.Exp2(float64(attempt-1)), -off)
	}
	change = math.Round(change/f.round) * f.round
	next := setting + change
	if math.Abs(next) <= limit+1e-9 {
		return change, true
	}
	switch f.edge {
	case refuses:
		return 0, true
	case hushes:
		if math.Abs(setting) >= limit-1e-9 {
			return 0, false
		}
	}
	return math.Copysign(limit, next) - setting, true
}
