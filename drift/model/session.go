package model

import "math"

// session updates the filter with a whole session that came in one record: Tries−1
// fails, then the stated result. Its corrections together moved the setting by sum
// percent. Meltback and setting, if reported, are those of the last attempt.
func (f *filter) session(p *Params, ev *Event, noise *[scatterScales]float64, sum, badEndRate, badEnd float64) observation {
	last := p.gain(ev.Passed)
	needed, moved := f.measured(p, ev)
	if moved == outcome {
		out := f.moved(p, ev, noise, sum, ev.Tries, last, badEndRate)
		if !out.number || last < smallestGain {
			result := f.outcome(p, ev, noise, ev.Passed, badEnd, 0)
			out.logLik, out.badEnd = out.logLik+result.logLik, max(out.badEnd, result.badEnd)
		}
		return out
	}
	// The measurement of the last attempt gives the correction after it; the rest of the
	// sum was made before it.
	u, haveSetting := ev.Setting.Get()
	off, at := needed, f.mean1(setting)
	if haveSetting {
		off, at = needed-u, u
	}
	after := p.Corrects(last, off, at)
	doubt := sq(after*gainDoubt) + settingRounded
	if haveSetting {
		f.put(logPct(min(max(Pct(u)-sum+after, -furthest), furthest)), doubt)
	}
	first := f.moved(p, ev, noise, sum-after, ev.Tries-1, p.GainFail, badEndRate)
	var out observation
	if moved == known {
		f.put(u, 0)
		out = f.measure(p, ev, noise, needed, badEnd)
	} else {
		out = f.measureRelative(p, ev, noise, needed, badEnd)
	}
	for k := range f.state {
		f.state[k].Add(setting, after)
		f.state[k].AddVariance(setting, doubt)
	}
	f.clip(p)
	out.logLik += first.logLik
	return out
}

const (
	// gainDoubt is the standard deviation of a correction about gain times deviation, as
	// a share of it; a guess.
	gainDoubt = 0.25
	// settingRounded is the variance of a setting from rounding, in squared percent.
	settingRounded = 0.01
)

// put sets mean and variance of the setting.
func (f *filter) put(to, variance float64) {
	for k := range f.state {
		f.state[k].Reset(setting, to, variance)
	}
}

// moved updates the filter with n corrections, the last with a gain of its own, that
// together moved the setting by sum percent. The first attempt failed.
func (f *filter) moved(p *Params, ev *Event, noise *[scatterScales]float64, sum float64, n int64, last, badEndRate float64) observation {
	factor, adds := sumOf(p.GainFail, last, n)
	var out observation
	switch {
	case math.Abs(sum) <= rounding:
		return f.unmoved(p, ev, noise, n, badEndRate)
	case factor >= smallestGain:
		scaled := *noise
		for k := range scaled {
			scaled[k] = (scaled[k]*adds + float64(n)*sq(p.CorrectSD) + 2*sq(roundingSD)) / sq(factor)
		}
		if p.fullStep(sum) || f.mayClip(p, sum) {
			return f.stopped(p, ev, &scaled, sum, factor, badEndRate)
		}
		out = f.measureRelative(p, ev, &scaled, step(f.mean1(setting), sum)/factor, badEndRate)
		out.logLik += math.Log(p.Kappa) - math.Log(factor) // the density of the sum itself
	default:
		out = f.outcome(p, ev, noise, false, badEndRate, 0)
	}
	f.shift(p, sum)
	return out
}

// unmoved updates the filter with a session whose corrections sum to 0: its fails left
// the setting as it was.
func (f *filter) unmoved(p *Params, ev *Event, noise *[scatterScales]float64, n int64, badEndRate float64) (out observation) {
	fail := *ev
	fail.Passed = false
	out.raw = math.NaN()
	for range max(n-1, 1) {
		one := f.corrected(p, &fail, noise, 0, badEndRate)
		out.logLik, out.badEnd = out.logLik+one.logLik, max(out.badEnd, one.badEnd)
	}
	return out
}

// stopped updates the filter with corrections that the limit may have cut short: their
// sum says of the deviation what one correction with that gain would.
func (f *filter) stopped(p *Params, ev *Event, noise *[scatterScales]float64, sum, factor, badEndRate float64) observation {
	fail, as := *ev, *p
	fail.Passed, as.GainFail = false, factor
	out := f.corrected(&as, &fail, noise, sum, badEndRate)
	out.number = false
	f.shift(p, sum)
	return out
}

// sumOf relates the sum of n corrections to the deviation d before the first of them.
// An attempt measures z = d + e, with its own scatter e of variance R, and takes gain·z
// off d, the last one last·z. The sum is then factor·d + ε with
//
//	factor = 1 − (1−last)·(1−gain)ⁿ⁻¹
//	Var ε = R·adds,  adds = (1−last)²·gain²·Σ (1−gain)²ʲ + last²,  j = 0 … n−2,
//
// which follows from d after the session being both d − sum and what the
// corrections left.
func sumOf(gain, last float64, n int64) (factor, adds float64) {
	left := 1.0
	for range n - 1 {
		adds += left * left
		left *= 1 - gain
	}
	return 1 - (1-last)*left, sq(1-last)*sq(gain)*adds + sq(last)
}
