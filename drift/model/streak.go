package model

import (
	"math"
	"time"
)

// Streak is the present run of attempts without a pass, within or across sessions.
type Streak struct {
	Attempts, Sessions int
	Since              time.Time
	// BadEnd is the probability that bad ends are the cause: a blunt cleaver, or dirt
	// on the fibre.
	BadEnd float64
	// OutBefore and OutNow are the chances of an attempt outside the tolerance, by the
	// model just before the streak, in the air of the attempt before it and in the air of
	// its first attempt.
	OutBefore, OutNow float64
	// OtherCleaver is whether it continued with ends of another cleaver.
	OtherCleaver bool

	cleaver string
	// ends and dirt are the log odds of these two causes against the third, that the
	// attempts failed as the model expected.
	ends, dirt float64
	// step and stepVar are mean and variance of a step in the level, in log percent: dirt
	// causes a lasting one, bad ends do not.
	step, stepVar float64
}

// Constants for the causes of a streak. All are guesses of the right order; the chances of
// blunt cleavers and of dirt come from the fleet.
const (
	// bluntBadEnd is the share of bad ends while a cleaver is blunt.
	bluntBadEnd = 0.35
	// soiledFail is the chance of a fail on a pair just after a contamination.
	soiledFail = 0.6
	// stepWidth is the standard deviation of the step that dirt causes, in scatters.
	stepWidth = 5.0
)

// outlook is the prediction of an attempt: the chance of a miss in the air of the attempt
// before and in its own, that of a bad end, and that of dirt since the attempt before.
// If the attempt reports a number, off is its distance from the prediction (else NaN),
// variance its variance, of which scatter is the attempt's own, and wide that with a
// bad end. side is the likelihood ratio of a bad end by the difference between the
// two ends, 1 if not reported.
type outlook struct{ before, now, badEnd, dirt, off, variance, scatter, wide, side float64 }

func (m *Machine) outlook(before [airTerms]float64, ev *Event) outlook {
	o := outlook{
		before: m.OutChance(before, 0), now: m.OutChance(ev.Air, 0), badEnd: m.badEndRate(),
		dirt: -math.Expm1(-m.params.DirtRate * max(ev.Step, sessionArcs) / 1000), off: math.NaN(), side: 1,
	}
	y, kind := m.filter.measured(m.params, ev)
	if kind == outcome {
		return o
	}
	need, off := rows(ev)
	row := need[:]
	if kind == relative {
		row = off[:]
	}
	mean, v := m.filter.mean(row)
	for k, r := range m.params.noise(m.scatterAge, ev.AirStale) {
		o.scatter += m.filter.weight[k] * r
	}
	o.off, o.variance = y-mean, v+o.scatter
	o.wide = o.variance + sq(m.params.BadEndWidth)*o.scatter
	return o
}

// update updates the streak with the next attempt, with the probability that its end was
// bad, and returns how many tries of it failed.
func (s *Streak) update(ev *Event, badEnd float64, out outlook) (fails int) {
	fails = int(ev.Tries)
	if ev.Passed {
		*s = Streak{}
		return fails - 1
	}
	if s.Attempts == 0 {
		*s = Streak{
			Since: ev.Time, OutBefore: out.before, OutNow: out.now, cleaver: ev.Cleaver,
			// With a blunt cleaver the share bluntBadEnd has a bad end: this is how often one is.
			ends: math.Log(min(out.badEnd/bluntBadEnd, 0.9)), dirt: math.Log(out.dirt),
			stepVar: sq(stepWidth) * out.scatter,
		}
	}
	if ev.NewSession || s.Sessions == 0 {
		s.Sessions++
	}
	s.OtherCleaver = s.OtherCleaver || ev.Cleaver != "" && s.cleaver != "" && ev.Cleaver != s.cleaver
	s.weigh(fails, badEnd, out)
	s.Attempts += fails
	return fails
}

// weigh updates the odds of the two causes by their likelihood ratios (Bayes).
func (s *Streak) weigh(fails int, badEnd float64, out outlook) {
	badEnd = min(max(badEnd, 1e-4), 1-1e-4)
	odds := badEnd / (1 - badEnd) * (1 - out.badEnd) / out.badEnd
	blunt := math.Log(bluntBadEnd*odds + 1 - bluntBadEnd)
	soiled := math.Log(max(soiledFail/max(out.now, 0.01), 1))
	if !math.IsNaN(out.off) {
		blunt, soiled = s.measured(out)
	}
	s.ends += float64(fails) * blunt
	s.dirt += float64(fails) * soiled
	top := max(s.ends, s.dirt, 0)
	s.BadEnd = math.Exp(s.ends-top) / (math.Exp(s.ends-top) + math.Exp(s.dirt-top) + math.Exp(-top))
}

// measured returns the log likelihood ratios of a blunt cleaver and of a step in the
// level for a measured attempt, and updates the step. Under each cause an end may be
// bad and the attempt lie far off: otherwise a single outlier would decide.
func (s *Streak) measured(out outlook) (blunt, soiled float64) {
	density := func(d, v float64) float64 { return math.Exp(-d*d/v/2) / math.Sqrt(v) }
	mixed := func(share, well float64) float64 {
		return (1-share)*well + share*out.side*density(out.off, out.wide) + wrong/anywhere
	}
	v := s.stepVar + out.variance
	well, stepped := density(out.off, out.variance), density(out.off-s.step, v)
	plain := mixed(out.badEnd, well)
	blunt = math.Log(mixed(bluntBadEnd, well) / plain)
	soiled = math.Log(mixed(out.badEnd, stepped) / plain)
	believed := (1 - out.badEnd) * stepped / mixed(out.badEnd, stepped)
	s.step += believed * s.stepVar / v * (out.off - s.step)
	s.stepVar *= 1 - believed*s.stepVar/v
	return blunt, soiled
}

// tally counts how often attempts failed, with weights that fade, and has the grades of
// the last ones.
type tally struct {
	fails, tries float64
	grades       [recentLength]uint8
	n            int
}

const (
	// tallyMemory is the weight of the past at each attempt: about the last 200 count.
	tallyMemory  = 0.995
	recentLength = 20
)

func (t *tally) add(ev *Event, fails int) {
	t.fails = t.fails*tallyMemory + float64(fails)
	t.tries = t.tries*tallyMemory + float64(ev.Tries)
	t.grades[t.n%recentLength] = uint8(gradeOf(ev))
	t.n++
}

// Grade says how much the records report.
type Grade uint8

// The grades of data.
const (
	NoRecords Grade = iota
	PassFail
	CorrectionOnly
	Full
)

func gradeOf(ev *Event) Grade {
	switch {
	case ev.Melt.Known() && ev.Setting.Known():
		return Full
	case ev.Correction.Known() || ev.Moved.Known() || ev.Melt.Known():
		return CorrectionOnly
	}
	return PassFail
}

// Grade returns that of most of the machine's last twenty attempts.
func (m *Machine) Grade() Grade {
	var counts [Full + 1]int
	for _, g := range m.tally.grades[:min(m.tally.n, recentLength)] {
		counts[g]++
	}
	best := NoRecords
	for g := PassFail; g <= Full; g++ {
		if counts[g] > 0 && counts[g] >= counts[best] {
			best = g
		}
	}
	return best
}

// FailRate returns how many of how many attempts failed, about the last 200, without the
// present streak.
func (m *Machine) FailRate() (fails, tries float64) {
	current := float64(m.streak.Attempts)
	return max(m.tally.fails-current, 0), max(m.tally.tries-current, 0)
}
