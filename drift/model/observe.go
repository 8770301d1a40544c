package model

import (
	"math"

	"arcdrift/drift/fit"
)

// observation is what one attempt showed.
type observation struct {
	// logLik is the log likelihood of the attempt.
	logLik float64
	// badEnd is the probability that an end was bad.
	badEnd float64
	// raw is the required power as measured, in log percent; NaN if the grade of data
	// does not give it.
	raw float64
	// number is whether it reported a number, not only an outcome.
	number bool
}

// attempt updates the filter with one attempt. age is that of the scatter in arcs,
// badEndRate this machine's share of bad ends, badEnd the probability that an end of
// this attempt is bad.
func (f *filter) attempt(p *Params, ev *Event, age, badEndRate, badEnd float64) observation {
	noise := p.noise(age, ev.AirStale)
	if sum, ok := ev.Moved.Get(); ok {
		return f.session(p, ev, &noise, sum, badEndRate, badEnd)
	}
	before := 0.0
	for range ev.Tries - 1 {
		before += f.outcome(p, ev, &noise, false, badEndRate, p.follows(false)).logLik
	}
	if u, ok := ev.Setting.Get(); ok {
		for k := range f.state {
			f.state[k].Reset(setting, u, 0)
		}
	}
	var out observation
	needed, as := f.measured(p, ev)
	c, answered := ev.Correction.Get()
	switch {
	case as == known:
		out = f.measure(p, ev, &noise, needed, badEnd)
	case ev.Melt.Known():
		out = f.measureRelative(p, ev, &noise, needed, badEnd)
	case answered:
		out = f.corrected(p, ev, &noise, c, badEnd)
	default:
		out = f.outcome(p, ev, &noise, ev.Passed, badEnd, p.follows(ev.Passed))
	}
	f.correct(p, ev)
	out.logLik += before
	return out
}

// gain returns the share of the deviation that the machine corrects.
func (p *Params) gain(passed bool) float64 {
	if passed {
		return p.GainPass
	}
	return p.GainFail
}

// knowledge says what an attempt reports of required power.
type knowledge uint8

const (
	outcome  knowledge = iota // passed or not
	relative                  // required power minus setting, by the correction
	known                     // required power
)

// measured returns what the attempt reports as a number: required power in log percent,
// or required power minus setting.
func (f *filter) measured(p *Params, ev *Event) (float64, knowledge) {
	melt, haveMelt := ev.Melt.Get()
	u, haveSetting := ev.Setting.Get()
	switch {
	case haveMelt && haveSetting:
		return u - melt/p.Kappa, known
	case haveMelt:
		return -melt / p.Kappa, relative
	}
	c, ok := ev.Correction.Get()
	gain := p.gain(ev.Passed)
	if ok && c != 0 && gain >= smallestGain && !p.fullStep(c) && !ev.Clipped && !f.mayClip(p, c) {
		return step(f.mean1(setting), c) / gain, relative
	}
	return 0, outcome
}

// smallestGain is the gain below which a correction says too little of the deviation.
const smallestGain = 0.2

// mayClip says whether the machine's limit may have cut a correction short, so that it
// gives a bound of the deviation only.
func (f *filter) mayClip(p *Params, c float64) bool {
	lo, hi := p.Bounds()
	var row [states]float64
	row[setting] = 1
	m, v := f.mean(row[:])
	m += c
	const close = 2 // standard deviations
	return m+close*math.Sqrt(v) > hi && c > 0 || m-close*math.Sqrt(v) < lo && c < 0
}

// rows returns the rows of the state that an attempt observes: required power in its
// air, and that minus the setting.
func rows(ev *Event) (need, off [states]float64) {
	need[level], need[offset] = 1, 1
	copy(need[airAt:], ev.Air[:])
	off = need
	off[setting] = -1
	return need, off
}

// airDoubt is the variance that an older reading of the air adds, in squared log
// percent: some degrees and hectopascals.
const airDoubt = 1.0

// noise returns the variance of an attempt for each scatter scale, in squared log
// percent, at an age of the scatter in arcs.
func (p *Params) noise(age float64, airStale bool) (r [scatterScales]float64) {
	base := sq(p.ScatterAt(age))
	for k := range r {
		r[k] = base * scatterScaleSq[k]
		if airStale {
			r[k] += airDoubt
		}
	}
	return r
}

// measure updates the filter with a measured required power.
func (f *filter) measure(p *Params, ev *Event, noise *[scatterScales]float64, x, badEndRate float64) observation {
	need, _ := rows(ev)
	return f.robust(p, noise, need[:], x, badEndRate, x)
}

// measureRelative updates the filter with a required power relative to the setting.
func (f *filter) measureRelative(p *Params, ev *Event, noise *[scatterScales]float64, d, badEndRate float64) observation {
	_, off := rows(ev)
	return f.robust(p, noise, off[:], d, badEndRate, math.NaN())
}

// Some records are wrong: a digit too many, or a fail recorded as a pass. wrong is their
// share (a guess); a wrong number is uniform over anywhere log percent.
const (
	wrong    = 1e-3
	anywhere = 200.0
)

func (f *filter) robust(p *Params, noise *[scatterScales]float64, row []float64, y, badEndRate, raw float64) observation {
	out := observation{raw: raw, number: true}
	var logLik [scatterScales]float64
	var badEnd [scatterScales]float64
	outliers := fit.NewOutliers(badEndRate, sq(p.BadEndWidth), wrong/anywhere)
	for k := range f.state {
		logLik[k], badEnd[k] = f.state[k].ObserveRobust(row, y, noise[k], &outliers)
	}
	// The likelihood is a density of ln meltback, not of power.
	out.logLik = f.reweigh(&logLik) - math.Log(p.Kappa)
	for k, w := range f.weight {
		out.badEnd += w * badEnd[k]
	}
	return out
}

// outcome updates the filter with a pass or a fail; the setting then follows the
// deviation by gain.
func (f *filter) outcome(p *Params, ev *Event, noise *[scatterScales]float64, passed bool, badEndRate, gain float64) observation {
	_, off := rows(ev)
	lo, hi := p.Window()
	out := observation{raw: math.NaN()}
	var logLik, badEnd [scatterScales]float64
	for k := range f.state {
		o := fit.Feedback{
			H: off[:], R: noise[k], Lo: lo, Hi: hi, Within: passed,
			Outlier: badEndRate, Width: p.BadEndWidth, Wrong: wrong, Moved: setting, Gain: gain,
		}
		logLik[k], badEnd[k] = o.Observe(&f.state[k])
	}
	out.logLik = f.reweigh(&logLik)
	for k, w := range f.weight {
		out.badEnd += w * badEnd[k]
	}
	if gain > 0 {
		f.clip(p)
	}
	return out
}

// correct updates the setting by the machine's own correction.
func (f *filter) correct(p *Params, ev *Event) {
	if next, ok := ev.Next.Get(); ok {
		for k := range f.state {
			f.state[k].Reset(setting, next, 0)
		}
		return
	}
	if c, ok := ev.Correction.OrElse(ev.Moved).Get(); ok && !ev.Setting.Known() {
		f.shift(p, c)
		return
	}
	if ev.Setting.Known() {
		// The setting was reported, the correction after it was not.
		for k := range f.state {
			f.state[k].AddVariance(setting, sq(p.gain(ev.Passed)))
		}
	}
}

// clip keeps a setting that followed a deviation within the machine's bounds.
func (f *filter) clip(p *Params) {
	lo, hi := p.Bounds()
	for k := range f.state {
		g := &f.state[k]
		if m := g.Mean[setting]; m < lo || m > hi || g.Var(setting) > sq(hi-lo) {
			g.Reset(setting, min(max(m, lo), hi), min(g.Var(setting), 1))
		}
	}
}

// sideBias is the usual difference between the two ends on one machine: a robust mean of
// Side over about the last hundred of n attempts.
type sideBias struct {
	mean float64
	n    int
}

// update updates the mean with one attempt and returns how far its Side lies from the
// mean before, in standard deviations. Machines are assumed to differ as much as the
// attempts of one.
func (l *sideBias) update(side, sd float64) (z float64) {
	const most, memory = 2, 100
	z = (side - l.mean) / (sd * math.Sqrt(1+1/float64(l.n+1)))
	l.mean += min(max(side-l.mean, -most*sd), most*sd) / float64(l.n+2)
	l.n = min(l.n+1, memory)
	return z
}

// oneSided returns the probability of a bad end given the prior rate and the
// difference between the two ends: an arc heats both, a bad cleave spoils one.
func (m *Machine) oneSided(ev *Event, rate float64) float64 {
	side, ok := ev.Side.Get()
	if !ok || m.params.SideSD == 0 {
		return rate
	}
	const wide = 6 // standard deviation of Side with a bad end, over the usual one; a guess
	z := m.sideBias.update(side, m.params.SideSD)
	ratio := math.Exp(-z*z/2/sq(wide)+z*z/2) / wide
	odds := rate / (1 - rate) * min(ratio, 1e6)
	return min(odds/(1+odds), 0.999)
}
