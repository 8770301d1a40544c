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

// BlendRow is how much one forecaster counts, for one kind of machine and grade of
// data, in the forecast that is given: learnt from what came of past forecasts.
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

// findings are what learning found amiss, kind by kind.
func findings(pop *model.Population) (out []string) {
	for _, key := range pop.Keys() {
		out = append(out, pop.For(key).Diagnostics...)
	}
	return out
}

// few is how many truths or alerts a comparison needs to mean something.
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

// ArcsRow is how one forecaster of arcs to failure did on one grade of data.
// Losses are in arcs.
type ArcsRow struct {
	Grade advise.Grade `json:"grade"`
	Who   string       `json:"who"`
	// N is how many forecasts there were; Hidden of them never showed their
	// truth.
	N      int `json:"n"`
	Hidden int `json:"hidden"`
	// Pinball losses at 10, 50 and 90 % and their mean.
	Pinball10 drift.Opt[float64] `json:"pinball_p10"`
	Pinball50 drift.Opt[float64] `json:"pinball_p50"`
	Pinball90 drift.Opt[float64] `json:"pinball_p90"`
	Pinball   drift.Opt[float64] `json:"pinball"`
	CRPS      drift.Opt[float64] `json:"crps"`
	// Held is how often the 80 % interval held, with its exact 95 % band; unknown
	// for those who name a single number.
	Held     drift.Opt[float64] `json:"interval_held"`
	HeldLow  drift.Opt[float64] `json:"interval_held_low"`
	HeldHigh drift.Opt[float64] `json:"interval_held_high"`
	// Brier is of "fails within advise.PlanDays days".
	Brier drift.Opt[float64] `json:"brier_14_days"`
}

// Tables scores the replay.
//
// The truth of many forecasts is hidden: the pair was serviced first, or the
// records end. To leave those out would favour who says that pairs fail soon, so
// every truth that shows counts with one over the chance that it would have
// shown (see [score.Mean]). That chance is the Kaplan–Meier estimate of not being
// hidden so long, over all cases; it assumes that what hides a truth does not
// know it, which a bench that heeds the alerts does. As long truths are hidden
// most, arcs are scored up to a reach that at least a fifth of the cases would
// show, and longer ones, said or true, count as the reach.
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
		truths += int(number(!r.Cases[i].Hidden))
	}
	out.warn(truths)
	out.Warnings = append(out.Warnings, r.Findings...)
	if len(r.Cases) == 0 {
		return out
	}
	byArcs := newShown(r.Cases, forecast.Horizon, func(c *Case) float64 { return c.Arcs })
	byDays := newShown(r.Cases, advise.PlanDays, func(c *Case) float64 { return c.Days })
	out.Reach = byArcs.reach
	for _, g := range grades(r.Cases, func(c *Case) model.Grade { return c.Grade }) {
		for who, name := range Forecasters() {
			out.Arcs = append(out.Arcs, arcsRow(r.Cases, g, who, name, byArcs, byDays))
		}
	}
	return out
}

// shown is the weight of each case: one over the chance that its truth would
// have shown, 0 if it is hidden.
type shown struct {
	reach   float64
	weights []float64
}

// leastShown is the share of cases that must still be followed at the reach.
const leastShown = 0.2

func newShown(cases []Case, reach float64, length func(*Case) float64) shown {
	lives := make([]fit.Life, len(cases))
	for i := range cases {
		lives[i] = fit.Life{Length: min(length(&cases[i]), reach), Ended: cases[i].Hidden && length(&cases[i]) < reach}
	}
	s := shown{reach: reach, weights: make([]float64, len(cases))}
	table, err := fit.NewLifeTable(lives)
	if err != nil {
		return s // without cases
	}
	s.reach = min(reach, table.Residual(0, 1-leastShown))
	for i := range cases {
		if at := length(&cases[i]); at >= s.reach || !cases[i].Hidden {
			// A truth shows when nothing hid it before.
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
func arcsRow(cases []Case, g grade, who int, name string, byArcs, byDays shown) ArcsRow {
	row := ArcsRow{Grade: g.name, Who: name, N: len(g.of)}
	var p10, p50, p90, crps, held, brier weighted
	for _, i := range g.of {
		c := &cases[i]
		o := c.Said[who]
		soon := c.Days <= advise.PlanDays && !c.Hidden
		brier.add(score.Brier(o.Before(advise.PlanDays*c.PerDay), soon), byDays.weights[i])
		weight := byArcs.weights[i]
		if weight == 0 {
			row.Hidden++
			continue
		}
		held.add(o.held(c.Arcs, byArcs.reach), weight)
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
	if name == Model || name == PastLives {
		row.Held = held.mean()
		row.HeldLow, row.HeldHigh = held.band()
	}
	return row
}

// held is 1 if the interval from 10 to 90 % holds the truth and 0 if not. Of a
// truth beyond the reach it is the chance that the forecast itself then gives
// it, so that an honest forecast holds eight times in ten whatever the reach.
func (o *Outlook) held(y, reach float64) float64 {
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

// weighted collects scores under weights.
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

// band is the exact 95 % band of a mean of noughts and ones, on as many trials
// as the weights are worth: (Σw)²/Σw² (Kish, 1965, Survey Sampling). Forecasts
// of one pair at several moments share its luck, so it is narrower than it
// should be.
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
