package model

import (
	"math"

	"arcdrift/drift/fit"
)

// The machine's own correction says something of the attempt where meltback was not
// reported: how far off it was, if the machine was free to correct; where the setting
// is, if it is at the limit; and, if nothing was changed, that the deviation was
// small or that the limit left no room.

// roundingSD is the standard deviation, in log percent, of rounding to tenths of a
// percent.
const roundingSD = 0.03

// room is the distance from the limit, in log percent, within which a setting counts as
// at the limit: its distribution has no mass on a point.
const room = 0.5

// corrected updates the filter with an attempt of which outcome and correction are
// known. The setting stays as it was during the attempt.
func (f *filter) corrected(p *Params, ev *Event, noise *[scatterScales]float64, c, badEndRate float64) observation {
	full := p.fullStep(c)
	out := observation{raw: math.NaN(), number: math.Abs(c) > rounding && p.gain(ev.Passed) >= smallestGain && !full}
	var logLik, badEnd [scatterScales]float64
	for k := range f.state {
		g := &f.state[k]
		moved := step(g.Mean[setting], c)
		at := atLimit{p: p, ev: ev, moved: moved, noise: noise[k]}
		at.look(g)
		if !at.near {
			logLik[k], badEnd[k] = p.free(g, ev, moved, full, noise[k], badEndRate)
			continue
		}
		f.spare.CopyFrom(g)
		logLik[k], badEnd[k] = p.free(g, ev, moved, full, noise[k], badEndRate)
		logFree := logLik[k]
		for _, stop := range at.stops() {
			f.spare2.CopyFrom(&f.spare)
			stopped := at.stopped(&f.spare2, stop)
			top := max(logLik[k], stopped)
			sum := top + math.Log(math.Exp(logLik[k]-top)+math.Exp(stopped-top))
			g.Blend(&f.spare2, math.Exp(stopped-sum))
			logLik[k] = sum
		}
		badEnd[k] *= math.Exp(logFree - logLik[k])
	}
	out.logLik = f.reweigh(&logLik)
	for k, w := range f.weight {
		out.badEnd += w * badEnd[k]
	}
	return out
}

// step converts a correction c in percent, at a setting in log percent, to log percent.
func step(setting, c float64) float64 {
	const least = -90 // percent: there is no arc below
	s := max(Pct(setting), least)
	return logPct(max(s+c, least)) - logPct(s)
}

// free updates a state with a correction that no limit cut short, and returns its log
// likelihood and the probability that an end was bad. full is whether it is the machine's
// largest step.
func (p *Params) free(g *fit.Normal, ev *Event, moved float64, full bool, noise, badEndRate float64) (logLik, badEnd float64) {
	_, off := rows(ev)
	gain := p.gain(ev.Passed)
	lo, hi := p.Window()
	within := ev.Passed
	switch changed := math.Abs(moved) > rounding; {
	case changed && gain >= smallestGain && full:
		lo, hi = p.askedFor(moved, gain, ev.Passed)
		within = true
	case changed && gain >= smallestGain:
		r := noise + sq(p.CorrectSD/gain) + sq(roundingSD/gain)
		outliers := fit.NewOutliers(badEndRate, sq(p.BadEndWidth)*noise/r, wrong/anywhere)
		logLik, badEnd = g.ObserveRobust(off[:], moved/gain, r, &outliers)
		if !ev.Passed {
			logLik += math.Log1p(-p.Idle)
		}
		return logLik - math.Log(gain), badEnd
	case !changed && ev.Passed && gain >= smallestGain:
		// Within the dead band, or so little off that the correction rounds to 0.
		band := max(p.DeadBand, rounding/gain)
		lo, hi = max(lo, -band), min(hi, band)
	}
	o := fit.Feedback{
		H: off[:], R: noise, Lo: lo, Hi: hi, Within: within,
		Outlier: badEndRate, Width: p.BadEndWidth, Wrong: wrong, Moved: setting,
	}
	logLik, badEnd = o.Observe(g)
	switch {
	case ev.Passed || gain < smallestGain:
	case full:
		logLik += math.Log1p(-p.Idle)
	default:
		logLik += math.Log(p.Idle)
	}
	return logLik, badEnd
}

// atLimit considers that the setting is at a limit after an attempt.
type atLimit struct {
	p      *Params
	ev     *Event
	moved  float64
	noise  float64
	hi, lo bool // whether it may be at the upper, the lower limit
	near   bool
}

// look sets near, hi and lo: whether a limit may be near enough to matter.
func (a *atLimit) look(g *fit.Normal) {
	if !a.p.Limit.Known() || a.p.gain(a.ev.Passed) < smallestGain {
		return
	}
	bottom, top := a.p.Bounds()
	const far = 4 // standard deviations
	after, reach := g.Mean[setting]+a.moved, room+far*math.Sqrt(g.Var(setting))
	a.hi = a.moved > -rounding && after+reach > top
	a.lo = a.moved < rounding && after-reach < bottom
	a.near = a.hi || a.lo
}

// stops returns the limits that may have been reached: +1 and −1.
func (a *atLimit) stops() []float64 {
	switch both := [2]float64{1, -1}; {
	case a.hi && a.lo:
		return both[:]
	case a.hi:
		return both[:1]
	default:
		return both[1:]
	}
}

// stopped updates a state for a correction that ended at a limit, so that the deviation
// called for it or for a larger one, and returns the log likelihood.
func (a *atLimit) stopped(g *fit.Normal, side float64) float64 {
	bottom, top := a.p.Bounds()
	limit := top
	if side < 0 {
		limit = bottom
	}
	at := [states]float64{setting: 1}
	m, v := g.Predict(at[:])
	at0 := limit - a.moved
	logLik := 0.0
	if math.Abs(a.moved) > rounding {
		logLik = g.Observe(at[:], at0, sq(roundingSD))
	} else {
		// It was there before.
		logLik = fit.NormalLogCDF(side * (m - (at0 - side*room)) / math.Sqrt(v+sq(roundingSD)))
		g.Observe(at[:], at0, sq(roundingSD))
	}
	_, off := rows(a.ev)
	gain := a.p.gain(a.ev.Passed)
	asked, most := math.Abs(a.moved)/gain, math.Inf(1)
	switch lo, hi := a.p.Window(); {
	case !a.ev.Passed:
		asked = max(asked, -lo, hi)
	case side > 0: // what passed was within tolerance, as far as the machine can tell
		most = max(hi, asked+(a.p.CorrectSD+rounding)/gain)
	default:
		most = max(-lo, asked+(a.p.CorrectSD+rounding)/gain)
	}
	if side > 0 {
		return logLik + g.ObserveWithin(off[:], asked, most, a.noise)
	}
	return logLik + g.ObserveWithin(off[:], -most, -asked, a.noise)
}

// shift moves the setting by a correction in percent that was made.
func (f *filter) shift(p *Params, c float64) {
	for k := range f.state {
		g := &f.state[k]
		g.Add(setting, step(g.Mean[setting], c))
	}
	f.within(p)
}

// within updates the filter with the fact that the setting lies within the bounds.
func (f *filter) within(p *Params) {
	bottom, top := p.Bounds()
	row := [states]float64{setting: 1}
	for k := range f.state {
		g := &f.state[k]
		m, v := g.Mean[setting], g.Var(setting)
		sd := math.Sqrt(v)
		const far = 3 // standard deviations
		if m+far*sd < top && m-far*sd > bottom {
			continue
		}
		if sd < roundingSD {
			g.Add(setting, min(max(m, bottom), top)-m)
			continue
		}
		_, mean, variance := fit.TruncatedNormal(m, sd, bottom, top)
		g.Condition(row[:], m, v, mean, max(variance, sq(roundingSD)))
	}
}

// meet sets the distribution of the setting at the first attempt of a machine. On a pair
// of some age the machine has corrected itself: the setting is at the required power in
// this air, within tolerance and limit. On a young pair it may still be where the pair
// before needed it, or at nominal. age is the pair's, in arcs.
func (f *filter) meet(p *Params, ev *Event, age float64) {
	const young = 200 // arcs in which a machine finds its new pair
	found := -math.Expm1(-age / young)
	need, _ := rows(ev)
	for i := range need {
		need[i] *= found
	}
	lo, hi := p.Window()
	doubt := found*sq(hi-lo)/12 + (1-found)*(sq(p.LevelSD)+settingDoubt)
	for k := range f.state {
		g := &f.state[k]
		g.SetLinear(setting, need[:])
		g.Add(setting, (1-found)*p.Level)
		g.AddVariance(setting, doubt)
	}
	f.within(p)
}
