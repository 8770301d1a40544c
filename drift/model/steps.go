package model

import (
	"math"
	"slices"
)

// Some machines change their setting by a fixed step, or by so much at most, however far
// off they were. Such a correction says in which direction the deviation lay and that it
// was large enough, and a machine that is far off needs several.

// Corrects returns the change of a setting, in log percent, after a deviation, by a gain
// and the machine's largest step.
func (p *Params) Corrects(gain, deviation, setting float64) float64 {
	moved := gain * deviation
	if p.LargestStep > 0 {
		most := WearAt(setting, p.LargestStep)
		moved = min(max(moved, -most), most)
	}
	return moved
}

// nearlyFull is the share of the largest step from which on a correction counts as full.
const nearlyFull = 0.95

// fullStep says whether a correction, in percent, is the largest that the machine makes.
func (p *Params) fullStep(c float64) bool {
	return p.LargestStep > 0 && math.Abs(c) >= nearlyFull*p.LargestStep
}

// askedFor returns the bounds of a deviation after which the machine took its largest step,
// all in log percent.
func (p *Params) askedFor(moved, gain float64, passed bool) (from, to float64) {
	lo, hi := p.Window()
	least := max(math.Abs(moved)/gain, p.DeadBand)
	switch {
	case passed && moved > 0:
		return min(least, hi/2), hi
	case passed:
		return lo, max(-least, lo/2)
	case moved > 0:
		return max(least, hi), math.Inf(1)
	default:
		return math.Inf(-1), min(-least, lo)
	}
}

const (
	// fewSteps is how many corrections may show that all are the same.
	fewSteps = 8
	// A largest step must reduce the sum of absolute errors of n corrections to the share
	// clearly, and so that the log likelihood, −n·ln(sum) for errors of a Laplace
	// distribution, gains surely. Guesses: a step that is not there simulates machines
	// that cannot recover.
	clearly, surely = 0.7, 7.0
	// mostAnswers is how many corrections after fails, and after passes, are looked at.
	mostAnswers = 500
)

// steps estimates LargestStep, and with it the gains, where it explains the corrections
// much better than gains alone; from machines that report corrections only, where most of
// these are the same.
func (p *Params) steps(answers []answer, histories []History) {
	var fails, passes []answer
	changed := 0
	for _, a := range answers {
		moves := math.Abs(a.moved) > still
		switch {
		case math.Abs(a.need) < p.farFrom():
			continue
		case a.passed:
			passes = append(passes, a)
		case moves:
			fails = append(fails, a)
		}
		if moves {
			changed++
		}
	}
	if changed < fewSteps {
		p.sameSteps(histories)
		return
	}
	p.LargestStep = 0
	far := slices.Concat(thinned(fails), thinned(passes))
	best := p.leftOver(far)
	top := best.sum() * min(clearly, math.Exp(-surely/float64(changed)))
	for _, step := range stepsOf(far) {
		q := *p
		q.LargestStep = step
		if left := q.leftOver(far); left.sum() < top {
			top, best, p.LargestStep = left.sum(), left, step
		}
	}
	if p.LargestStep == 0 {
		return
	}
	for i, gain := range []*float64{&p.GainFail, &p.GainPass} {
		if best[i].n >= enough {
			*gain = best[i].gain
		}
	}
}

// thinned returns at most mostAnswers of them, evenly spread.
func thinned(all []answer) (out []answer) {
	every := max((len(all)+mostAnswers-1)/mostAnswers, 1)
	for i := 0; i < len(all); i += every {
		out = append(out, all[i])
	}
	return out
}

// stepsOf returns some of the changes of the setting, in percent, in rising order: one of
// them is about the largest.
func stepsOf(answers []answer) (out []float64) {
	var all []float64
	for _, a := range answers {
		if math.Abs(a.moved) > still {
			all = append(all, math.Abs(Pct(a.setting+a.moved)-Pct(a.setting)))
		}
	}
	if len(all) == 0 {
		return nil
	}
	slices.Sort(all)
	const parts = 20
	for i := parts / 2; i < parts; i++ {
		out = append(out, all[i*len(all)/parts])
	}
	return slices.Compact(out)
}

// leftOver is what the best gain does not explain of n corrections.
type leftOver struct {
	n         int
	gain, off float64
}

// leftOvers are those after fails and after passes.
type leftOvers [2]leftOver

func (l *leftOvers) sum() float64 { return l[0].off + l[1].off }

// leftOver finds the gains that explain the corrections best, by the sum of absolute
// errors: of gains that do about as well, the smallest.
func (p *Params) leftOver(answers []answer) (out leftOvers) {
	const gains = 40
	var off [2][gains + 1]float64
	for _, a := range answers {
		which := 0
		if a.passed {
			which = 1
		}
		out[which].n++
		for i := range off[which] {
			off[which][i] += math.Abs(a.moved - p.Corrects(MostGain*float64(i)/gains, a.need, a.setting))
		}
	}
	const aboutAsWell = 1.02
	for which := range out {
		least := slices.Min(off[which][:])
		i := slices.IndexFunc(off[which][:], func(x float64) bool { return x <= aboutAsWell*least })
		out[which].gain, out[which].off = MostGain*float64(i)/gains, off[which][i]
	}
	return out
}

// sameSteps estimates LargestStep from corrections alone: the largest, if most are that.
func (p *Params) sameSteps(histories []History) {
	var all []float64
	for _, first := range p.firstCorrections(histories) {
		if math.Abs(first) > rounding {
			all = append(all, math.Abs(first))
		}
	}
	for _, h := range histories {
		for i := range h.Events {
			ev := &h.Events[i]
			if c, ok := ev.Correction.Get(); ok && math.Abs(c) > rounding && !ev.Conditioning && !ev.Clipped && ev.Tries == 1 {
				all = append(all, math.Abs(c))
			}
		}
	}
	if len(all) < enough {
		return
	}
	p.LargestStep = 0
	slices.Sort(all)
	const high, about = 0.8, 0.03
	usual := all[int(high*float64(len(all)))]
	same := 0
	for _, c := range all {
		if math.Abs(c-usual) <= max(about*usual, rounding) {
			same++
		}
	}
	if 2*same >= len(all) {
		p.LargestStep = usual
	}
}

// beyond is how far off, in widths of the window, an attempt that fails usually is. A
// guess.
const beyond = 1.3

// shareOf returns the share of a deviation that is corrected.
func (p *Params) shareOf(gain, deviation float64) float64 {
	if p.LargestStep == 0 {
		return gain
	}
	return p.Corrects(gain, deviation, 0) / deviation
}

// followsWithin returns the share of the deviation that is corrected after a pass: the
// regression of the correction on deviations uniform between −width and width, which is
// 3/width³ times the integral of correction times deviation.
func (p *Params) followsWithin(gain, width float64) float64 {
	if p.LargestStep == 0 || gain == 0 {
		return gain * (1 - math.Pow(min(p.DeadBand/width, 1), 3))
	}
	from := min(p.DeadBand, width)
	bend := min(max(p.LargestStep/gain, from), width)
	linear := gain * (math.Pow(bend, 3) - math.Pow(from, 3)) / 3
	flat := p.LargestStep * (sq(width) - sq(bend)) / 2
	return 3 * (linear + flat) / math.Pow(width, 3)
}
