package model

import (
	"math"
	"slices"
)

// Where sessions come whole, no failed attempt reports numbers. What the machine did after
// a fail shows in sessions of two attempts: the sum less the correction after the second
// attempt, which does report them.

// firstCorrections returns those after the first attempt of such sessions, in percent,
// that the limit did not cut short.
func (p *Params) firstCorrections(histories []History) (out []float64) {
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			sum, stated := ev.Moved.Get()
			melt, measured := ev.Melt.Get()
			setting, placed := ev.Setting.Get()
			if stated && measured && placed && ev.Passed && ev.Tries == 2 && !ev.Clipped && !p.AtLimit(setting, ev.Limit) {
				out = append(out, sum+p.GainPass*melt/p.Kappa)
			}
		}
	}
	return out
}

// sums estimates GainFail and Idle from first corrections, where no failed attempt reports
// numbers. Over the tolerance a correction is at least the gain, as the first attempt was
// outside the tolerance; its tenth percentile lies within edge of the gain if the scatter
// is at most half the tolerance (tail of the normal distribution).
func (p *Params) sums(answers []answer, histories []History) {
	failed := func(a answer) bool { return !a.passed }
	if !p.Tolerance.Known() || slices.ContainsFunc(answers, failed) {
		return
	}
	const most = 0.1 // rounding, and a correction after the second attempt that is known by half
	var least []float64
	lo, hi := p.Window()
	firsts := p.firstCorrections(histories)
	for _, first := range firsts {
		if math.Abs(first) > most {
			least = append(least, max(first/hi, first/lo))
		}
	}
	n := float64(len(firsts))
	switch {
	case len(firsts) < enough:
	case 10*len(least) < len(firsts):
		p.GainFail = 0
	default:
		p.leftAlone(n-float64(len(least)), n)
		if p.LargestStep == 0 && len(least) >= enough {
			slices.Sort(least)
			p.GainFail = min(max(least[len(least)/10]/edge, 0), MostGain)
		}
	}
}

// edge is the ratio of that percentile to the gain.
const edge = 1.03
