package model

import (
	"math"

	"arcdrift/drift/fit"
)

// seen is what one attempt told.
type seen struct {
	// logLik is the log likelihood of what the attempt showed.
	logLik float64
	// spoilt is the probability that an end was spoilt.
	spoilt float64
	// raw is the required power as measured, in log percent, NaN if the grade of
	// data does not tell.
	raw float64
	// number is whether it told a number, not only an outcome.
	number bool
}

// attempt folds one attempt into the filter. age is that of the scatter in arcs,
// spoiltRate this machine's own share of spoilt ends, spoilt the chance that this
// attempt's are.
func (f *filter) attempt(p *Params, ev *Event, age, spoiltRate, spoilt float64) seen {
	noise := p.noise(age, ev.AirStale)
	if sum, ok := ev.Moved.Get(); ok {
		return f.session(p, ev, &noise, sum, spoiltRate, spoilt)
	}
	before := 0.0
	for range ev.Tries - 1 {
		before += f.outcome(p, ev, &noise, false, spoiltRate, p.follows(false)).logLik
	}
	if u, ok := ev.Setting.Get(); ok {
		for k := range f.state {
			f.state[k].Reset(setting, u, 0)
		}
	}
	var out seen
	needed, said := f.measured(p, ev)
	c, answered := ev.Correction.Get()
	switch {
	case said == known:
		out = f.measure(p, ev, &noise, needed, spoilt)
	case ev.Melt.Known():
		out = f.measureRelative(p, ev, &noise, needed, spoilt)
	case answered:
		out = f.corrected(p, ev, &noise, c, spoilt)
	default:
		out = f.outcome(p, ev, &noise, ev.Passed, spoilt, p.follows(ev.Passed))
	}
	f.correct(p, ev)
	out.logLik += before
	return out
}

// gain is the part of the deviation the machine corrects.
func (p *Params) gain(passed bool) float64 {
	if passed {
		return p.GainPass
	}
	return p.GainFail
}

// knowledge says what an attempt tells of required power.
type knowledge uint8

const (
	outcome knowledge = iota // passed or not
	told                     // required power minus setting, through the correction
	known                    // required power
)

// measured returns what the attempt says in numbers: required power in log
// percent, or how far it lay from the setting.
func (f *filter) measured(p *Params, ev *Event) (float64, knowledge) {
	melt, haveMelt := ev.Melt.Get()
	u, haveSetting := ev.Setting.Get()
	switch {
	case haveMelt && haveSetting:
		return u - melt/p.Kappa, known
	case haveMelt:
		return -melt / p.Kappa, told
	}
	c, ok := ev.Correction.Get()
	gain := p.gain(ev.Passed)
	if ok && c != 0 && gain >= smallestGain && !ev.Clipped && !f.mayClip(p, c) {
		return step(f.mean1(setting), c) / gain, told
	}
	return 0, outcome
}

// smallestGain is the gain below which a correction says too little of the
// deviation it answers.
const smallestGain = 0.2

// mayClip says whether a correction may have run into the machine's limit, so
// that it tells a bound and not a size.
func (f *filter) mayClip(p *Params, c float64) bool {
	lo, hi := p.Bounds()
	var row [states]float64
	row[setting] = 1
	m, v := f.mean(row[:])
	m += c
	const close = 2 // standard deviations
	return m+close*math.Sqrt(v) > hi && c > 0 || m-close*math.Sqrt(v) < lo && c < 0
}

// rows are the combinations of the state that an attempt looks at: required
// power in its air, and that minus the setting.
func rows(ev *Event) (need, off [states]float64) {
	need[level], need[offset] = 1, 1
	copy(need[airAt:], ev.Air[:])
	off = need
	off[setting] = -1
	return need, off
}

// airDoubt is the variance that an older reading of the air adds, in squared
// log percent: some degrees and hectopascals.
const airDoubt = 1.0

// noise is the variance of an attempt under every multiple, given the age of
// the scatter in arcs.
func (p *Params) noise(age float64, airStale bool) (r [multiples]float64) {
	base := sq(p.ScatterAt(age))
	for k := range r {
		r[k] = base * multipleSq[k]
		if airStale {
			r[k] += airDoubt
		}
	}
	return r
}

// measure folds in a required power that was measured.
func (f *filter) measure(p *Params, ev *Event, noise *[multiples]float64, x, spoiltRate float64) seen {
	need, _ := rows(ev)
	return f.robust(p, noise, need[:], x, spoiltRate, x)
}

// measureRelative folds in a deviation from a setting that is not known itself.
func (f *filter) measureRelative(p *Params, ev *Event, noise *[multiples]float64, d, spoiltRate float64) seen {
	_, off := rows(ev)
	return f.robust(p, noise, off[:], d, spoiltRate, math.NaN())
}

// Some records are wrong, a digit too many or a fail noted as a pass: so many of
// all (a guess), and a wrong number lies anywhere in so many log percent.
const (
	wrong    = 1e-3
	anywhere = 200.0
)

func (f *filter) robust(p *Params, noise *[multiples]float64, row []float64, y, spoiltRate, raw float64) seen {
	out := seen{raw: raw, number: true}
	var logLik [multiples]float64
	var spoilt [multiples]float64
	for k := range f.state {
		logLik[k], spoilt[k] = f.state[k].ObserveRobust(row, y, noise[k], spoiltRate, sq(p.SpoiltWidth), wrong/anywhere)
	}
	// Numbers are densities of ln meltback, not of the power it stands for.
	out.logLik = f.reweigh(&logLik) - math.Log(p.Kappa)
	for k, w := range f.weight {
		out.spoilt += w * spoilt[k]
	}
	return out
}

// outcome folds in that an attempt passed or failed; the setting then follows
// the deviation by gain.
func (f *filter) outcome(p *Params, ev *Event, noise *[multiples]float64, passed bool, spoiltRate, gain float64) seen {
	_, off := rows(ev)
	lo, hi := p.Window()
	out := seen{raw: math.NaN()}
	var logLik, spoilt [multiples]float64
	for k := range f.state {
		o := fit.Feedback{
			H: off[:], R: noise[k], Lo: lo, Hi: hi, Within: passed,
			Outlier: spoiltRate, Width: p.SpoiltWidth, Wrong: wrong, Moved: setting, Gain: gain,
		}
		logLik[k], spoilt[k] = o.Observe(&f.state[k])
	}
	out.logLik = f.reweigh(&logLik)
	for k, w := range f.weight {
		out.spoilt += w * spoilt[k]
	}
	if gain > 0 {
		f.clip(p)
	}
	return out
}

// correct applies the machine's own correction to the setting.
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
		// In force, but nobody said what the machine did afterwards.
		for k := range f.state {
			f.state[k].AddVariance(setting, sq(p.gain(ev.Passed)))
		}
	}
}

// clip stops a setting that followed a deviation where the machine can go.
func (f *filter) clip(p *Params) {
	lo, hi := p.Bounds()
	for k := range f.state {
		g := &f.state[k]
		if m := g.Mean[setting]; m < lo || m > hi || g.Var(setting) > sq(hi-lo) {
			g.Reset(setting, min(max(m, lo), hi), min(g.Var(setting), 1))
		}
	}
}

// lean is how unlike its two ends a machine melts as a rule: the mean of Side over
// n attempts, of which a spoilt end moves it little and a hundred fade.
type lean struct {
	mean float64
	n    int
}

// see takes in one attempt and returns how far out its ends are, in usual spreads.
// Machines are taken to differ as much as the attempts of one.
func (l *lean) see(side, sd float64) (z float64) {
	const most, memory = 2, 100
	z = (side - l.mean) / (sd * math.Sqrt(1+1/float64(l.n+1)))
	l.mean += min(max(side-l.mean, -most*sd), most*sd) / float64(l.n+2)
	l.n = min(l.n+1, memory)
	return z
}

// oneSided raises or lowers the chance of a spoilt end by how unlike the two
// ends melted, for this machine: an arc heats both, a bad cleave spoils one.
func (m *Machine) oneSided(ev *Event, rate float64) float64 {
	side, ok := ev.Side.Get()
	if !ok || m.params.SideSD == 0 {
		return rate
	}
	const wide = 6 // a spoilt end's difference, in usual spreads; a guess
	z := m.lean.see(side, m.params.SideSD)
	ratio := math.Exp(-z*z/2/sq(wide)+z*z/2) / wide
	odds := rate / (1 - rate) * min(ratio, 1e6)
	return min(odds/(1+odds), 0.999)
}
