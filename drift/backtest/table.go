package backtest

import (
	"fmt"
	"math"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/score"
)

// Report is the replay in numbers. Its JSON form is fixed.
type Report struct {
	Seed     uint64    `json:"seed"`
	Machines int       `json:"machines"`
	From     time.Time `json:"from"`
	Until    time.Time `json:"until"`
	Moments  int       `json:"moments"`
	// Reach is how many arcs ahead forecasts are scored.
	Reach  float64    `json:"reach_arcs"`
	Arcs   []ArcsRow  `json:"arcs_to_failure"`
	Moves  []MoveRow  `json:"moves"`
	Bins   []Bin      `json:"stated_chances"`
	Alerts []AlertRow `json:"alerts"`
	// Blend are the weights that forecasts of arcs to failure had at the last moment.
	Blend []BlendRow `json:"blend"`
	// Warnings say what the numbers cannot carry, as sentences.
	Warnings []string `json:"warnings"`
}

// BlendRow is the weight of one forecaster, for one kind of machine and grade of data, in
// the forecast of arcs to failure: estimated from what came of past forecasts.
type BlendRow struct {
	Model   string       `json:"model"`
	Program string       `json:"program"`
	Grade   advise.Grade `json:"grade"`
	Who     string       `json:"who"`
	Weight  float64      `json:"weight"`
}

// blendRows are the weights of populations, kind by kind.
func blendRows(pop *model.Population) (out []BlendRow) {
	names := map[model.Grade]advise.Grade{model.Full: advise.Full, model.CorrectionOnly: advise.CorrectionOnly, model.PassFail: advise.PassFail}
	for _, key := range pop.Keys() {
		p := pop.For(key)
		for _, grade := range []model.Grade{model.Full, model.CorrectionOnly, model.PassFail} {
			for who, weight := range p.Blend[grade] {
				out = append(out, BlendRow{key.Model, key.Program, names[grade], forecast.Forecasters()[who], math.Round(1000*weight) / 1000})
			}
		}
	}
	return out
}

// diagnostics are those of the parameters, kind by kind.
func diagnostics(pop *model.Population) (out []string) {
	for _, key := range pop.Keys() {
		out = append(out, pop.For(key).Diagnostics...)
	}
	return out
}

// few is how many outcomes a comparison needs at least.
const few = 50

// warn says what the numbers cannot carry.
func (r *Report) warn(truths int) {
	r.Warnings = []string{}
	switch {
	case r.Moments == 0:
		r.Warnings = append(r.Warnings, fmt.Sprintf("The records are too short to score: the first %d days are for learning.", firstDays))
	case truths < few:
		r.Warnings = append(r.Warnings, fmt.Sprintf("Only %d forecasts have shown their truth: too few to tell one forecaster from another.", truths))
	}
}

// ArcsRow has the scores of one forecaster of arcs to failure on one grade of data.
// Losses are in arcs.
type ArcsRow struct {
	Grade advise.Grade `json:"grade"`
	Who   string       `json:"who"`
	// N is the number of forecasts; Censored of them have no known outcome.
	N        int `json:"n"`
	Censored int `json:"hidden"`
	// Pinball losses at 10, 50 and 90 % and their mean.
	Pinball10 drift.Opt[float64] `json:"pinball_p10"`
	Pinball50 drift.Opt[float64] `json:"pinball_p50"`
	Pinball90 drift.Opt[float64] `json:"pinball_p90"`
	Pinball   drift.Opt[float64] `json:"pinball"`
	CRPS      drift.Opt[float64] `json:"crps"`
	// Coverage is the share of outcomes inside the 80 % interval, with its exact 95 %
	// interval; unknown for forecasts of a single number.
	Coverage     drift.Opt[float64] `json:"interval_held"`
	CoverageLow  drift.Opt[float64] `json:"interval_held_low"`
	CoverageHigh drift.Opt[float64] `json:"interval_held_high"`
	// Brier is of "fails within advise.PlanDays days".
	Brier drift.Opt[float64] `json:"brier_14_days"`
}

// Tables scores the replay.
//
// Many outcomes are censored: the pair was serviced first, or the records end. Leaving
// those out would favour forecasts of early failures, so each known outcome counts with
// one over the chance that it was not censored (see [score.Mean]). That chance is the
// Kaplan–Meier estimate over all cases; it assumes that censoring does not depend on the
// outcome, which is not so where the bench acts on the alerts. As long outcomes are
// censored most, arcs are scored up to a reach at which a fifth of the cases would still
// be uncensored; longer outcomes and forecasts count as the reach.
func (r *Replay) Tables() Report {
	out := Report{
		Seed: r.Seed, Machines: r.Machines, Until: r.Until, Moments: len(r.Moments),
		Reach: forecast.Horizon, Arcs: []ArcsRow{}, Moves: moveRows(r.Moves), Bins: reliability(r.Moves), Alerts: r.Watch.Rows(),
		Blend: append([]BlendRow{}, r.Blend...),
	}
	if len(r.Moments) > 0 {
		out.From = r.Moments[0]
	}
	truths := 0
	for i := range r.Cases {
		truths += int(number(!r.Cases[i].Censored))
	}
	out.warn(truths)
	out.Warnings = append(out.Warnings, r.Diagnostics...)
	if len(r.Cases) == 0 {
		return out
	}
	byArcs := newWeighting(r.Cases, forecast.Horizon, func(c *Case) float64 { return c.Arcs })
	byDays := newWeighting(r.Cases, advise.PlanDays, func(c *Case) float64 { return c.Days })
	out.Reach = byArcs.reach
	for _, g := range grades(r.Cases, func(c *Case) model.Grade { return c.Grade }) {
		for who, name := range Forecasters() {
			out.Arcs = append(out.Arcs, arcsRow(r.Cases, g, who, name, byArcs, byDays))
		}
	}
	return out
}

// weighting has the weight of each case: one over the chance that it was not censored,
// 0 if it was.
type weighting struct {
	reach   float64
	weights []float64
}

// leastUncensored is the share of cases that must be uncensored at the reach.
const leastUncensored = 0.2

func newWeighting(cases []Case, reach float64, length func(*Case) float64) weighting {
	lives := make([]fit.Life, len(cases))
	for i := range cases {
		lives[i] = fit.Life{Length: min(length(&cases[i]), reach), Ended: cases[i].Censored && length(&cases[i]) < reach}
	}
	s := weighting{reach: reach, weights: make([]float64, len(cases))}
	table, err := fit.NewLifeTable(lives)
	if err != nil {
		return s // without cases
	}
	s.reach = min(reach, table.Residual(0, 1-leastUncensored))
	for i := range cases {
		if at := length(&cases[i]); at >= s.reach || !cases[i].Censored {
			// Uncensored if nothing censored it before.
			share, _ := table.Survival(math.Nextafter(min(at, s.reach), 0))
			s.weights[i] = 1 / share
		}
	}
	return s
}

// grade is one part of the cases: all, or those of one grade of data.
type grade struct {
	name advise.Grade
	of   []int
}

// allGrades names the whole.
const allGrades advise.Grade = "all"

// grades sorts cases by grade of data, the whole first, empty ones left out.
func grades[T any](cases []T, of func(*T) model.Grade) []grade {
	parts := []grade{{name: allGrades}, {name: advise.Full}, {name: advise.CorrectionOnly}, {name: advise.PassFail}}
	at := map[model.Grade]int{model.Full: 1, model.CorrectionOnly: 2, model.PassFail: 3}
	for i := range cases {
		parts[0].of = append(parts[0].of, i)
		if k := at[of(&cases[i])]; k > 0 {
			parts[k].of = append(parts[k].of, i)
		}
	}
	out := parts[:0]
	for _, p := range parts {
		if len(p.of) > 0 {
			out = append(out, p)
		}
	}
	return out
}

// arcsRow scores one forecaster on one part of the cases.
func arcsRow(cases []Case, g grade, who int, name string, byArcs, byDays weighting) ArcsRow {
	row := ArcsRow{Grade: g.name, Who: name, N: len(g.of)}
	var p10, p50, p90, crps, coverage, brier weighted
	for _, i := range g.of {
		c := &cases[i]
		o := c.Stated[who]
		soon := c.Days <= advise.PlanDays && !c.Censored
		brier.add(score.Brier(o.Before(advise.PlanDays*c.PerDay), soon), byDays.weights[i])
		weight := byArcs.weights[i]
		if weight == 0 {
			row.Censored++
			continue
		}
		coverage.add(o.coverage(c.Arcs, byArcs.reach), weight)
		for k := range o {
			o[k] = min(o[k], byArcs.reach)
		}
		y := min(c.Arcs, byArcs.reach)
		p10.add(score.Pinball(y, o.At(10), 0.1), weight)
		p50.add(score.Pinball(y, o.At(50), 0.5), weight)
		p90.add(score.Pinball(y, o.At(90), 0.9), weight)
		crps.add(score.CRPS(y, o[:]), weight)
	}
	row.Pinball10, row.Pinball50, row.Pinball90 = p10.mean(), p50.mean(), p90.mean()
	if a, ok := row.Pinball10.Get(); ok {
		row.Pinball = drift.Some((a + row.Pinball50.Or(0) + row.Pinball90.Or(0)) / 3)
	}
	row.CRPS, row.Brier = crps.mean(), brier.mean()
	if name == Model || name == FleetLifetimes {
		row.Coverage = coverage.mean()
		row.CoverageLow, row.CoverageHigh = coverage.band()
	}
	return row
}

// coverage is 1 if y lies in the interval from 10 to 90 %, else 0. For y beyond the
// reach it is the chance that the forecast itself gives to that, so that a calibrated
// forecast has a coverage of 0.8 whatever the reach.
func (o *Outlook) coverage(y, reach float64) float64 {
	if y < reach {
		return number(o.At(10) <= y && y <= o.At(90))
	}
	const low, high = 0.1, 0.9
	before := o.Before(math.Nextafter(reach, 0))
	if before >= high {
		return 0
	}
	return (high - max(low, before)) / (1 - before)
}

// weighted collects scores with weights.
type weighted struct{ scores, weights []float64 }

func (w *weighted) add(score, weight float64) {
	w.scores, w.weights = append(w.scores, score), append(w.weights, weight)
}

func (w *weighted) mean() drift.Opt[float64] {
	if m := score.Mean(w.scores, w.weights); !math.IsNaN(m) {
		return drift.Some(m)
	}
	return drift.Opt[float64]{}
}

// band is the exact 95 % interval of a mean of zeros and ones, for as many trials as the
// weights are worth: (Σw)²/Σw² (Kish, 1965, Survey Sampling). Forecasts of one pair at
// several moments are not independent, so it is narrower than it should be.
func (w *weighted) band() (low, high drift.Opt[float64]) {
	var sum, squares float64
	for _, x := range w.weights {
		sum += x
		squares += x * x
	}
	mean, ok := w.mean().Get()
	if !ok {
		return low, high
	}
	n := math.Round(sum * sum / squares)
	l, h := score.ClopperPearson(int(math.Round(mean*n)), int(n), 0.95)
	return drift.Some(l), drift.Some(h)
}
