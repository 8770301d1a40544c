package model

import (
	"math"

	"arcdrift/drift"
	"arcdrift/drift/fit"
)

// Params are the parameters of the machines of one model and program: how they measure,
// how they correct themselves, how their pairs wear. Unless stated otherwise powers are in
// log percent, rates per 1000 arcs (of the wear clock for the level), shares and chances
// from 0 to 1.
type Params struct {
	// Kappa is d ln(meltback)/d ln(power).
	Kappa float64
	// Target and Tolerance in micrometres; Limit of the setting in percent. OneTarget is
	// whether all machines of the kind that report a target report this one.
	Target, Tolerance, Limit drift.Opt[float64]
	OneTarget                bool
	// GainFail and GainPass are the share of the measured deviation that the machine
	// corrects after a fail and after a pass.
	GainFail, GainPass float64
	// DeadBand is the deviation up to which the setting is not changed; CorrectSD is the
	// standard deviation of a correction about gain times deviation; Resets is the chance
	// that the setting returns to nominal when a new pair is fitted.
	DeadBand, CorrectSD, Resets float64
	// LargestStep is the most by which one correction changes the setting, in percent; 0
	// without a bound. A machine that corrects by a fixed step takes it each time.
	LargestStep float64
	// Idle is the chance that a fail is not followed by a correction although the
	// machine was free to make one.
	Idle float64
	// Follow is the share of the deviation that is corrected between sessions, by the
	// machine or by a person, without a recorded correction.
	Follow float64
	// Programs are those on record, in order of name; OwnSettings is whether each has a
	// setting of its own.
	Programs    []Program
	OwnSettings bool

	// UsualArcs is the median of the arcs on the pair over all attempts.
	UsualArcs float64
	// Level is the required power of a new pair at reference air, LevelSD its standard
	// deviation between pairs.
	Level, LevelSD float64
	// Slope of the level, percent per 1000 arcs of the wear clock, and its standard
	// deviation between pairs; Walk and SlopeWalk are the variances that level and slope
	// gain as random walks, per 1000 arcs.
	Slope, SlopeSD, Walk, SlopeWalk float64
	// WearExponent is the exponent of the wear clock: see [Params.Wear].
	WearExponent float64
	// Air are the effects of the [Regressors], AirCov is their covariance between
	// machines.
	Air    [airTerms]float64
	AirCov [airTerms][airTerms]float64
	// PlaceSpread is how far the density term changes from one place to another. Sites
	// are the fleet's.
	PlaceSpread float64
	Sites       Sites

	// Scatter is the standard deviation of attempts on a new pair, ScatterArcs the arcs
	// at which it has doubled, ScatterExponent the exponent of its growth: see
	// [Params.ScatterAt]. Each pair has a scatter scale, by which it is multiplied:
	// ScatterScaleSD is the standard deviation of its logarithm between pairs,
	// ScatterScaleWalk the variance that this gains as a random walk, per 1000 arcs.
	Scatter, ScatterArcs, ScatterExponent, ScatterScaleSD, ScatterScaleWalk float64
	// CurveCov is the posterior covariance of ln ScatterArcs and ln ScatterExponent.
	CurveCov [2][2]float64
	// BadEnd is the share of attempts with a bad end, BadEndWidth the standard
	// deviation of these over the scatter, SideSD the standard deviation of
	// 100·ln(left/right) on one machine, 0 if unknown.
	BadEnd, BadEndWidth, SideSD float64

	// Contamination comes DirtRate times per 1000 arcs. It raises the level by DirtLevel
	// times Scatter on average, with a standard deviation as large, and the scatter scale
	// by one to three steps of its grid.
	DirtRate, DirtLevel float64
	// DirtAhead are the probabilities of the rates of contamination in the long run: see
	// [Params.DirtInTime] and forecast.Learn.
	DirtAhead [len(dirtFactors)]float64
	// A clean lowers the level by CleanLevel, with standard deviation CleanLevelSD, and
	// the age of the scatter by the share CleanScatter; each later clean of a pair lowers
	// the age by [CleanFades] times the share before.
	CleanLevel, CleanLevelSD, CleanScatter float64

	// Recalibration is, by grade of data, the distribution of the probability integral
	// transform (PIT) of past forecasts of arcs to failure, at fixed knots; forecasts are
	// corrected by it. Nil leaves them as they are. See forecast.Learn.
	Recalibration [Full + 1][]float64

	// Lives are the lifetimes of the kind's pairs, in arcs, and Belief is what they and
	// those of other kinds make of what is usual. Blend has, by grade of data, the weights
	// of the model's forecast of arcs to failure and of the simple forecasts; nil is the
	// model alone. See forecast.Learn.
	Lives  []fit.Life
	Belief fit.LifeBelief
	Blend  [Full + 1][]float64

	// Firsts is the share of sessions whose first attempt failed. OutBlend has, by grade of
	// data, the weights of the [OutMembers]; nil is the model alone. See forecast.Learn.
	Firsts   float64
	OutBlend [Full + 1][]float64

	// Diagnostics say, as sentences, where the parameters do not fit the records that
	// they were estimated from; see forecast.Learn.
	Diagnostics []string

	// Attempts and Pairs are the numbers of them that the estimates rest on.
	Attempts, Pairs int
}

// Prior returns the prior parameters of a model without records. κ and the effects of
// the air are from memory, with the standard deviations given; scatter, wear, dirt and
// bad ends are guesses of the right order, which the first months of a fleet
// overrule.
func Prior() Params {
	return Params{
		Kappa: 2, GainFail: 0.8, GainPass: 0, CorrectSD: 0.05, Resets: 0.1, Idle: 0.05, UsualArcs: 1000,
		Level: 0, LevelSD: 2, Slope: 1.5, SlopeSD: 1.5, Walk: 0.15, SlopeWalk: 0.03, WearExponent: 1,
		Air: [airTerms]float64{0.4, 0, 0}, AirCov: [airTerms][airTerms]float64{{0.09, 0, 0}, {0, 0.01, 0}, {0, 0, 1}}, PlaceSpread: 3,
		Scatter: 1.5, ScatterArcs: 2500, ScatterExponent: 2, ScatterScaleSD: 0.25, ScatterScaleWalk: 0.02,
		CurveCov: [2][2]float64{{0.25, 0}, {0, 0.1}},
		BadEnd:   0.03, BadEndWidth: 5,
		DirtRate: 0.05, DirtLevel: 1, DirtAhead: [len(dirtFactors)]float64{0.2, 0.45, 0.28, 0.07},
		CleanLevel: 0.5, CleanLevelSD: 0.8, CleanScatter: 0.6,
	}
}

// dirtFactors multiply DirtRate; those above 1 to at most mostDirt. Guesses.
var (
	dirtFactors = [...]float64{0.3, 1, 3, 8}
	mostDirt    = [...]float64{0, 0, 0.5, 1.5} // per 1000 arcs
)

// DirtInTime returns the k-th rate of contamination that is possible in the long run, per
// 1000 arcs: a multiple of DirtRate. Where that is high already it explains whatever is not
// smooth, and no higher one is taken for possible.
func (p *Params) DirtInTime(k int) float64 {
	rate := p.DirtRate * dirtFactors[k]
	if dirtFactors[k] > 1 {
		rate = max(min(rate, mostDirt[k]), p.DirtRate)
	}
	return rate
}

// CleanFades is the effect of a clean relative to the clean before it on the same pair.
// A guess.
const CleanFades = 0.7

// wearReference is the arc count at which the wear clock shows the arcs themselves,
// whatever its exponent.
const wearReference = 2000.0

// Wear returns the reading of the wear clock at so many arcs, in thousands of arcs:
// 2·(arcs/2000)^WearExponent. On it the level moves at a constant slope, also for a pair
// that wears faster and faster (exponent above 1).
func (p *Params) Wear(arcs float64) float64 {
	if p.WearExponent == 1 {
		return arcs / 1000
	}
	return wearReference / 1000 * math.Pow(arcs/wearReference, p.WearExponent)
}

// WearAt converts a step of wear in percent into log percent at a level in log percent.
// Below −100 log percent, where there is no arc, the factor stays constant.
func WearAt(level, step float64) float64 {
	const lowest = -100
	return step * math.Exp(-max(level, lowest)/100)
}

// ScatterAt returns the scatter of a pair of scale 1, in log percent, when the scatter
// has an age in arcs: Scatter·(1 + (age/ScatterArcs)^ScatterExponent).
func (p *Params) ScatterAt(arcs float64) float64 {
	return p.Scatter * (1 + math.Pow(max(arcs, 0)/p.ScatterArcs, p.ScatterExponent))
}

// DirtStep returns the mean step of the level at a contamination, in log percent.
func (p *Params) DirtStep() float64 { return p.DirtLevel * p.Scatter }

// Window returns the tolerance as bounds of required power minus setting, in log
// percent: an attempt passes if that lies between lo and hi. Without a known target and
// tolerance a tenth of the target is assumed (a guess).
func (p *Params) Window() (lo, hi float64) {
	share := p.Tolerance.Or(10) / p.Target.Or(100)
	if !p.Tolerance.Known() || !p.Target.Known() {
		share = 0.1
	}
	share = min(share, 0.95)
	return -100 * math.Log1p(share) / p.Kappa, -100 * math.Log1p(-share) / p.Kappa
}

// Bounds returns the lowest and the highest setting that the machine can reach, in log
// percent; if its limit is not known, those that no machine exceeds.
func (p *Params) Bounds() (lo, hi float64) {
	limit := p.Limit.Or(furthest)
	return logPct(-limit), logPct(limit)
}
