package model

import (
	"math"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// Params is what is known of the machines of one model and program: how they
// measure, how they correct themselves, how their pairs wear. Powers are in log
// percent, wear per 1000 arcs of the wear clock.
type Params struct {
	// Kappa is d ln(meltback)/d ln(power).
	Kappa float64
	// Target and Tolerance in micrometres; Limit in percent. OneTarget is whether
	// all machines of the kind that tell a target tell this one.
	Target, Tolerance, Limit drift.Opt[float64]
	OneTarget                bool
	// GainFail and GainPass are the part of the measured deviation that the
	// machine corrects after a fail and after a pass.
	GainFail, GainPass float64
	// DeadBand is the deviation up to which the setting is left alone; CorrectSD is
	// how far a correction lies from gain times deviation; Resets is the chance that
	// a new pair puts the setting back to nominal.
	DeadBand, CorrectSD, Resets float64
	// Idle is the chance that a fail goes unanswered though the machine was free to
	// answer it.
	Idle float64
	// Follow is the part of the deviation that is made up for before a session, by
	// the machine or by somebody, without a correction that says so.
	Follow float64
	// Programs are those seen, by name; OwnSettings is whether each keeps a setting of
	// its own.
	Programs    []Program
	OwnSettings bool

	// UsualArcs is what pairs have burnt at half of the attempts.
	UsualArcs float64
	// Level of a new pair at reference air, and how it differs between pairs.
	Level, LevelSD float64
	// Slope of the level, percent per 1000 arcs, and its spread between pairs; Walk
	// and SlopeWalk are the variances that level and slope gain as random walks,
	// per 1000 arcs.
	Slope, SlopeSD, Walk, SlopeWalk float64
	// WearExponent is the exponent of the wear clock.
	WearExponent float64
	// Air effects (see Regressors) and their covariance between machines.
	Air    [airTerms]float64
	AirCov [airTerms][airTerms]float64

	// Scatter of attempts on a new pair, the arcs at which the curve has
	// doubled it, its exponent; the spread of ln multiple between pairs, and the
	// variance it gains as a random walk, per 1000 arcs.
	Scatter, ScatterArcs, ScatterExponent, ScatterScaleSD, ScatterScaleWalk float64
	// CurveCov is the doubt about ln ScatterArcs and ln ScatterBend: how the
	// scatter goes on where few pairs have been.
	CurveCov [2][2]float64
	// Spoilt is the share of attempts with a spoilt end, SpoiltWidth their
	// deviation in multiples of the scatter, SideSD the usual spread of
	// 100·ln(left/right) on one machine, 0 when unknown.
	Spoilt, SpoiltWidth, SideSD float64

	// Dirt comes DirtRate times per 1000 arcs, raises the level by DirtLevel times
	// the scatter of a new pair on average (and with that standard deviation) and
	// the scatter by one to three steps of the grid of multiples.
	DirtRate, DirtLevel float64
	// A clean takes CleanLevel off the level, CleanLevelSD uncertain, and the
	// part CleanScatter off the age of the scatter; each later clean of a pair
	// takes CleanFades times as much.
	CleanLevel, CleanLevelSD, CleanScatter float64

	// Recalibration bends raw forecasts of arcs to failure, by grade of data, so that
	// those of the past would have come true as often as they said; see
	// forecast.Learn. Nil leaves them as they are.
	Recalibration [Full + 1][]float64

	// Lives are those of the kind's pairs, in arcs, Weibull is the distribution
	// behind them, of shape 0 where too few ended, and Blend the weights of the
	// model's forecast of arcs to failure and of the simple ones beside it, by grade
	// of data; nil is the model alone. See forecast.Learn.
	Lives   []fit.Life
	Weibull fit.Weibull
	Blend   [Full + 1][]float64

	// Diagnostics say, as sentences, where what was learnt does not fit the records it was
	// learnt from; see forecast.Learn.
	Diagnostics []string

	// Attempts and Pairs are how many the values rest on.
	Attempts, Pairs int
}

// Prior is what is believed of a model nobody has seen. κ and the air's
// coefficients are from memory with the spread given; scatter, wear, dirt and
// spoilt ends are guesses of the right order, to be overruled by the first
// months of any fleet.
func Prior() Params {
	return Params{
		Kappa: 2, GainFail: 0.8, GainPass: 0, CorrectSD: 0.05, Resets: 0.1, Idle: 0.05, UsualArcs: 1000,
		Level: 0, LevelSD: 2, Slope: 1.5, SlopeSD: 1.5, Walk: 0.15, SlopeWalk: 0.03, WearExponent: 1,
		Air: [airTerms]float64{0.4, 0, 0}, AirCov: [airTerms][airTerms]float64{{0.09, 0, 0}, {0, 0.01, 0}, {0, 0, 0.09}},
		Scatter: 1.5, ScatterArcs: 2500, ScatterExponent: 2, ScatterScaleSD: 0.25, ScatterScaleWalk: 0.02,
		CurveCov: [2][2]float64{{0.25, 0}, {0, 0.1}},
		Spoilt:   0.03, SpoiltWidth: 5,
		DirtRate: 0.05, DirtLevel: 1,
		CleanLevel: 0.5, CleanLevelSD: 0.8, CleanScatter: 0.6,
	}
}

// CleanFades: each clean of a pair takes off less than the one before. A guess.
const CleanFades = 0.7

// wearReference is the arc count at which the wear clock shows the arcs
// themselves, whatever its bend.
const wearReference = 2000.0

// Wear is the wear clock: thousands of arcs, stretched so that a pair that
// wears ever faster (Bend > 1) moves evenly on it.
func (p *Params) Wear(arcs float64) float64 {
	if p.WearExponent == 1 {
		return arcs / 1000
	}
	return wearReference / 1000 * math.Pow(arcs/wearReference, p.WearExponent)
}

// WearAt turns a step of wear, which adds percent, into one of log percent at a
// level: the more power is needed already, the smaller it is. Below a level that
// no arc burns at it grows no further.
func WearAt(level, step float64) float64 {
	const lowest = -100
	return step * math.Exp(-max(level, lowest)/100)
}

// ScatterAt is the scatter of a typical pair after so many arcs.
func (p *Params) ScatterAt(arcs float64) float64 {
	return p.Scatter * (1 + math.Pow(max(arcs, 0)/p.ScatterArcs, p.ScatterExponent))
}

// DirtStep is the mean step of the level at a contamination.
func (p *Params) DirtStep() float64 { return p.DirtLevel * p.Scatter }

// Window is the tolerance in log percent of needed power minus setting: an
// attempt passes when the deviation lies between lo and hi. Without a known
// target and tolerance a tenth of the target is assumed (a guess).
func (p *Params) Window() (lo, hi float64) {
	share := p.Tolerance.Or(10) / p.Target.Or(100)
	if !p.Tolerance.Known() || !p.Target.Known() {
		share = 0.1
	}
	share = min(share, 0.95)
	return -100 * math.Log1p(share) / p.Kappa, -100 * math.Log1p(-share) / p.Kappa
}

// Bounds are the settings the machine can reach, in log percent; where its limit
// is not known, those that no machine goes beyond.
func (p *Params) Bounds() (lo, hi float64) {
	limit := p.Limit.Or(furthest)
	return logPct(-limit), logPct(limit)
}
