package main

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// measure is one number by which fleets are judged.
type measure struct {
	// key names it in CSV, title in the table.
	key, title string
	// of is its value and on how many cases that rests; not a number without any.
	of func(*tally) (value float64, cases int)
	// bad is the more, the worse a value is; nil for what is shown for comparison.
	bad func(value float64) float64
	// show writes a value for people.
	show func(value float64) string
}

// Directions of bad.
func more(v float64) float64 { return v }
func less(v float64) float64 { return -v }
func awayFrom(best float64) func(float64) float64 {
	return func(v float64) float64 { return math.Abs(v - best) }
}

// Ways to show a value.
func plain(v float64) string   { return fmt.Sprintf("%.2f", v) }
func percent(v float64) string { return fmt.Sprintf("%.2f %%", v) }
func share(v float64) string   { return fmt.Sprintf("%.0f %%", 100*v) }
func arcs(v float64) string    { return fmt.Sprintf("%.0f", v) }

func ratio(a, b int) float64 { return float64(a) / float64(b) }

const eightInTen = 0.8

// judged are the measures of forecasts, in the order of the table.
func judged() []measure {
	return []measure{
		{"skill", "arcs to failure: skill", func(t *tally) (float64, int) { return t.skill() }, less, plain},
		{"interval", "arcs to failure: 80 % interval holds", func(t *tally) (float64, int) {
			return ratio(t.inside, t.forecasts), t.forecasts
		}, awayFrom(eightInTen), share},
		{"interval_oracle", "  of the oracle", func(t *tally) (float64, int) {
			return ratio(t.oracleInside, t.forecasts), t.forecasts
		}, nil, share},
		{"power_bias", "required power: bias", func(t *tally) (float64, int) {
			return t.levelErrors / float64(t.levels), t.levels
		}, awayFrom(0), percent},
		{"power_rms", "required power: rms error", func(t *tally) (float64, int) {
			return math.Sqrt(t.levelSquares / float64(t.levels)), t.levels
		}, more, percent},
		{"power_interval", "required power: 80 % interval holds", func(t *tally) (float64, int) {
			return ratio(t.levelInside, t.levels), t.levels
		}, awayFrom(eightInTen), share},
		{"chance_rms", "site check: rms error of the chance", func(t *tally) (float64, int) {
			return math.Sqrt(t.chanceSquares / float64(t.stated)), t.stated
		}, more, plain},
		{"move_cost", "site check: cost, oracle 0, always 1", func(t *tally) (float64, int) {
			if t.ifAll <= t.leastMinutes {
				return math.NaN(), 0
			}
			return (t.minutes - t.leastMinutes) / (t.ifAll - t.leastMinutes), t.answers
		}, more, plain},
		{"cannot_tell", "site check: cannot tell", func(t *tally) (float64, int) {
			return ratio(t.answers-t.stated, t.answers), t.answers
		}, more, share},
		{"calls_right", "service calls: right", func(t *tally) (float64, int) { return t.calls.precision() }, less, share},
		{"calls_right_oracle", "  of the oracle", func(t *tally) (float64, int) { return t.oracleCalls.precision() }, nil, share},
		{"announced", "service calls: failures announced", func(t *tally) (float64, int) { return t.calls.recall() }, less, share},
		{"announced_oracle", "  by the oracle", func(t *tally) (float64, int) { return t.oracleCalls.recall() }, nil, share},
	}
}

// skill is 0 for the fleet's lifetimes and 1 for the oracle. It is not a number where the
// lifetimes happen to do as well as the oracle.
func (f *outlooks) skill() (float64, int) {
	lives, oracle := f.losses[byLives], f.losses[byOracle]
	if lives <= oracle {
		return math.NaN(), 0
	}
	return (lives - f.losses[byModel]) / (lives - oracle), f.forecasts
}

func (c *calls) precision() (float64, int) { return ratio(c.right, c.right+c.wrong), c.right + c.wrong }
func (c *calls) recall() (float64, int)    { return ratio(c.announced, c.failures), c.failures }

// stopped are the measures of what mess does to the state.
func stopped() []measure {
	const per = 1000 // machine-days
	return []measure{
		{"false_stops", "false stops by mess, in 1,000 machine-days", func(t *tally) (float64, int) {
			return per * ratio(t.stops.wrong, t.stops.days), t.stops.days
		}, more, plain},
		{"false_stops_clean", "  without mess", func(t *tally) (float64, int) {
			return per * ratio(t.stops.cleanWrong, t.stops.days), t.stops.days
		}, nil, plain},
		{"true_stops_clean", "right stops without mess, in 1,000 machine-days", func(t *tally) (float64, int) {
			return per * ratio(t.stops.right, t.stops.days), t.stops.days
		}, nil, plain},
		{"true_stops_lost", "  lost by mess", func(t *tally) (float64, int) {
			return ratio(t.stops.lost, t.stops.right), t.stops.right
		}, more, share},
	}
}

// typingMeasures are the measures of sessions reported whole beside the same reported attempt by
// attempt.
func typingMeasures() []measure {
	return []measure{
		{"skill_each", "skill, each attempt reported", func(t *tally) (float64, int) { return t.each.skill() }, less, plain},
		{"skill_whole", "skill, whole sessions reported", func(t *tally) (float64, int) { return t.skill() }, less, plain},
		{"skill_share", "  as a share", func(t *tally) (float64, int) {
			whole, n := t.skill()
			each, m := t.each.skill()
			if each <= 0 {
				return math.NaN(), 0
			}
			return whole / each, min(n, m)
		}, less, plain},
	}
}

// leastCases is on how many cases one fleet's value of a measure must rest.
const leastCases = 10

// summary is one measure of one grade of data over all fleets.
type summary struct {
	measure
	grade string
	// median and worst (the value that one fleet in ten is beyond, or at) are over
	// the fleets that have enough cases, pooled is of all cases; not a number
	// without any.
	median, worst, pooled float64
	fleets                int
}

// summarize sums up one measure of one grade.
func summarize(m measure, grade string, all []tallies) summary {
	s := summary{measure: m, grade: grade, median: math.NaN(), worst: math.NaN()}
	var values []float64
	var whole tally
	for _, one := range all {
		t := one.of(grade)
		whole.add(t)
		if v, n := m.value(t); n >= leastCases && !math.IsNaN(v) {
			values = append(values, v)
		}
	}
	s.pooled, _ = m.value(&whole)
	if s.fleets = len(values); s.fleets == 0 {
		return s
	}
	slices.Sort(values)
	s.median = (values[(len(values)-1)/2] + values[len(values)/2]) / 2
	if m.bad != nil {
		slices.SortFunc(values, func(a, b float64) int { return cmp.Compare(m.bad(a), m.bad(b)) })
		const nineInTen = 0.9
		s.worst = values[int(math.Ceil(nineInTen*float64(len(values))))-1]
	}
	return s
}

// value is the measure of a part; not a number without cases.
func (m *measure) value(t *tally) (float64, int) {
	v, n := m.of(t)
	if n == 0 {
		return math.NaN(), 0
	}
	return v, n
}
