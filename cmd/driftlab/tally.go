package main

import (
	"math"
	"slices"

	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/blind"
	"arcdrift/drift/forecast"
	"arcdrift/drift/score"
)

// allData means all grades of data.
const allData = "all"

// grades lists the parts of a fleet that are judged.
func grades() []string {
	return []string{allData, string(advise.Full), string(advise.CorrectionOnly), string(advise.PassFail)}
}

// forecasters are those whose losses are summed: those of score, the model first,
// and the oracle last.
const (
	byModel  = 0
	byLives  = 1
	byOracle = 4
)

// tally sums what one part of one or many fleets earned.
type tally struct {
	outlooks

	levels, levelInside       int
	levelErrors, levelSquares float64

	answers, stated                             int
	chanceSquares, minutes, leastMinutes, ifAll float64

	calls, oracleCalls calls

	stops stops
	dirt  dirtCounts
	power powerErrors
	// each is how forecasts fared where the same sessions were reported attempt by
	// attempt.
	each outlooks
}

// outlooks are forecasts of arcs to failure.
type outlooks struct {
	forecasts, inside int
	// oracleInside is how often the interval of the oracle covered: if not 8
	// times in 10, the world does not follow its laws.
	oracleInside int
	losses       [byOracle + 1]float64 // arcs
}

func (f *outlooks) add(o *outlooks) {
	f.forecasts += o.forecasts
	f.inside += o.inside
	f.oracleInside += o.oracleInside
	for i := range f.losses {
		f.losses[i] += o.losses[i]
	}
}

// calls are service calls.
type calls struct{ right, wrong, failures, announced int }

// add takes in another tally.
func (t *tally) add(o *tally) {
	t.outlooks.add(&o.outlooks)
	t.levels += o.levels
	t.levelInside += o.levelInside
	t.levelErrors += o.levelErrors
	t.levelSquares += o.levelSquares
	t.answers += o.answers
	t.stated += o.stated
	t.chanceSquares += o.chanceSquares
	t.minutes += o.minutes
	t.leastMinutes += o.leastMinutes
	t.ifAll += o.ifAll
	t.calls.add(&o.calls)
	t.oracleCalls.add(&o.oracleCalls)
	t.stops.add(&o.stops)
	t.dirt.add(&o.dirt)
	t.power.add(&o.power)
	t.each.add(&o.each)
}

func (c *calls) add(o *calls) {
	c.right += o.right
	c.wrong += o.wrong
	c.failures += o.failures
	c.announced += o.announced
}

// tallies are of one fleet, by grade of data.
type tallies map[string]*tally

func (t tallies) of(grade string) *tally {
	if t[grade] == nil {
		t[grade] = &tally{}
	}
	return t[grade]
}

// judge compares the answers about a fleet with the truth.
func (t *played) judge() tallies {
	parts := tallies{}
	for i := range t.replay.Cases {
		c := &t.replay.Cases[i]
		if m := t.truth[c.Machine]; m != nil {
			parts.of(m.Grade).forecast(c, m)
		}
	}
	for i := range t.replay.Levels {
		l := &t.replay.Levels[i]
		if m := t.truth[l.Machine]; m != nil {
			parts.of(m.Grade).level(l, m)
		}
	}
	for i := range t.replay.Answers {
		a := &t.replay.Answers[i]
		m := t.truth[a.Question.Machine]
		parts.of(m.Grade).answer(a, m)
	}
	for _, grade := range grades()[1:] {
		watch := t.replay.Watch.Of(func(name string) bool { return t.truth[name] != nil && t.truth[name].Grade == grade })
		rows := watch.Rows()
		part := parts.of(grade)
		part.calls.row(&rows[0])
		part.oracleCalls.row(&rows[len(rows)-1])
	}
	parts.total()
	return parts
}

// total makes the part of all grades.
func (t tallies) total() {
	all := &tally{}
	for _, grade := range grades()[1:] { // in this order: sums are of floats
		all.add(t.of(grade))
	}
	t[allData] = all
}

// draws is how many futures the quantiles of the oracle rest on.
const draws = 200

// forecast scores one forecast of arcs to failure by its quantiles of 1, 5 and 9 in
// 10.
func (t *tally) forecast(c *backtest.Case, m *blind.Machine) {
	arcs := float64(m.Lived(c.Moment, forecast.Horizon))
	loss := func(at func(percent int) float64) (sum float64) {
		for _, percent := range []int{10, 50, 90} {
			sum += score.Pinball(arcs, at(percent), float64(percent)/100)
		}
		return sum
	}
	for k := range c.Stated {
		t.losses[k] += loss(c.Stated[k].At)
	}
	ahead := m.Futures(c.Moment, forecast.Horizon, draws, 1)
	oracle := func(percent int) float64 { return float64(ahead[percent*len(ahead)/100]) }
	t.losses[byOracle] += loss(oracle)
	holds := func(at func(percent int) float64) int { return number(arcs >= at(10) && arcs <= at(90)) }
	t.forecasts++
	t.inside += holds(c.Stated[byModel].At)
	t.oracleInside += holds(oracle)
}

// level scores what was answered about the required power of the program in use.
func (t *tally) level(l *backtest.Level, m *blind.Machine) {
	truly := m.At(l.Moment)
	if l.Program != "" && truly.Program != "" && l.Program != truly.Program {
		return // of another program than the one that has come into use since
	}
	stated, known := l.RequiredPower.Get()
	if !known {
		return
	}
	const eightInTen = 1.2816 // standard deviations either way
	off := stated - truly.RequiredPct
	t.levels++
	t.levelErrors += off
	t.levelSquares += off * off
	if math.Abs(off) <= eightInTen*l.SD.Or(0) {
		t.levelInside++
	}
}

// answer scores one site check. Where the answer is cannot tell, its advice is to recalibrate.
func (t *tally) answer(a *backtest.AnswerCase, m *blind.Machine) {
	at := slices.IndexFunc(m.Moves, func(v blind.Move) bool { return v.At.Equal(a.Question.AsOf) })
	truly := m.ProbabilityOut(m.Moves[at].At, m.Moves[at].Air)
	unchecked := truly * a.Cost.OutMinutes
	t.answers++
	t.ifAll += a.Cost.CheckMinutes
	t.leastMinutes += min(a.Cost.CheckMinutes, unchecked)
	if a.Answer == advise.NoNeed {
		t.minutes += unchecked
	} else {
		t.minutes += a.Cost.CheckMinutes
	}
	if stated, ok := a.ProbabilityOut.Get(); ok && a.Answer != advise.CannotTell {
		t.stated++
		t.chanceSquares += (stated - truly) * (stated - truly)
	}
}

// row takes over what one watcher earned.
func (c *calls) row(r *backtest.AlertRow) {
	c.right, c.wrong, c.failures, c.announced = r.Right, r.Wrong, r.Failures, r.Announced
}
