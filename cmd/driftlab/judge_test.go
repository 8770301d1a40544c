package main

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/backtest"
	"arcdrift/drift/blind"
)

var noon = time.Date(2025, 3, 3, 12, 0, 0, 0, time.UTC)

// rigged is a machine of which everything is known by hand.
type rigged struct {
	lived, ahead  int64 // what came, and what the oracle reckons with
	required, out float64
	program       string
	perDay        int64 // arcs from noon on
}

func (r rigged) At(at time.Time) blind.Condition {
	return blind.Condition{Program: r.program, RequiredPct: r.required, Arcs: int64(at.Sub(noon).Hours()/24) * r.perDay}
}

func (r rigged) Lived(at time.Time, horizon int64) int64 { return min(r.lived, horizon) }

func (r rigged) Futures(at time.Time, horizon int64, n int, seed uint64) []int64 {
	out := make([]int64, n)
	for i := range out {
		out[i] = min(r.ahead, horizon)
	}
	return out
}

func (r rigged) ProbabilityOut(at time.Time, air blind.Air) float64 { return r.out }
func (r rigged) Electrodes(session time.Time) bool                  { return true }

func machine(grade advise.Grade, r rigged) *blind.Machine {
	return &blind.Machine{Name: "M", Grade: string(grade), Moves: []blind.Move{{At: noon}}, Life: r}
}

// says is an outlook that names a single number.
func says(arcs float64) (o backtest.Outlook) {
	for i := range o {
		o[i] = arcs
	}
	return o
}

func TestSkillByHand(t *testing.T) {
	// The truth is 1000. A single number q above it loses (0.9 + 0.5 + 0.1)(q − 1000)
	// at the three quantiles, one below it (0.1 + 0.5 + 0.9)(1000 − q).
	m := machine(advise.Full, rigged{lived: 1000, ahead: 900})
	var part tally
	part.forecast(&backtest.Case{Moment: noon, Stated: []backtest.Outlook{says(1200), says(1300), says(1000), says(700)}}, m)
	assert.InDeltaSlice(t, []float64{300, 450, 0, 450, 150}, part.losses[:], 1e-9)
	skill, n := part.skill()
	assert.InDelta(t, 0.5, skill, 1e-9)
	assert.Equal(t, 1, n)
	assert.Zero(t, part.inside, "1000 is not within 1200 to 1200")
	part.forecast(&backtest.Case{Moment: noon, Stated: []backtest.Outlook{says(1000), says(1300), says(1000), says(700)}}, m)
	assert.Equal(t, 1, part.inside)
	assert.Zero(t, part.oracleInside)
	skill, _ = part.skill()
	assert.InDelta(t, (900.-300)/(900-300), skill, 1e-9)

	var lucky tally // fleet lifetimes as good as the oracle
	lucky.forecast(&backtest.Case{Moment: noon, Stated: []backtest.Outlook{says(1200), says(900), says(0), says(0)}}, m)
	skill, n = lucky.skill()
	assert.True(t, math.IsNaN(skill))
	assert.Zero(t, n, "shows nothing")
}

func TestRequiredPowerByHand(t *testing.T) {
	m := machine(advise.Full, rigged{required: 3, program: "a"})
	stated := func(program string, power drift.Opt[float64]) *backtest.Level {
		return &backtest.Level{Program: program, Drift: advise.Drift{RequiredPower: power, SD: drift.Some(1.0)}}
	}
	var part tally
	part.level(stated("a", drift.Some(4.2)), m) // 1.2 standard deviations off
	part.level(stated("", drift.Some(2.0)), m)
	part.level(stated("a", drift.Some(1.0)), m)          // 2 off
	part.level(stated("b", drift.Some(99.0)), m)         // of another program
	part.level(stated("a", drift.Opt[float64]{}), m)     // not stated
	part.level(stated("a", drift.Some(3.0+1.2816)), m)   // at the very end of the interval
	part.level(stated("a", drift.Some(3.0-1.281600)), m) // at the other
	assert.Equal(t, 5, part.levels)
	assert.Equal(t, 4, part.levelInside)
	assert.InDelta(t, (1.2 - 1 - 2), part.levelErrors, 1e-9)
	assert.InDelta(t, 1.44+1+4+2*1.2816*1.2816, part.levelSquares, 1e-9)
}

func TestSiteChecksByHand(t *testing.T) {
	answer := func(a advise.Answer, chance drift.Opt[float64]) *backtest.AnswerCase {
		return &backtest.AnswerCase{Question: advise.Move{AsOf: noon}, MoveAnswer: advise.MoveAnswer{Answer: a, ProbabilityOut: chance, Cost: advise.Cost{CheckMinutes: 5, OutMinutes: 60}}}
	}
	safe, out := machine(advise.Full, rigged{out: 0.05}), machine(advise.Full, rigged{out: 0.5})
	var part tally
	part.answer(answer(advise.NoNeed, drift.Some(0.02)), safe)         // 3 minutes, as the oracle
	part.answer(answer(advise.Recalibrate, drift.Some(0.25)), safe)    // 5 instead of 3
	part.answer(answer(advise.NoNeed, drift.Some(0.08)), out)          // 30 instead of 5
	part.answer(answer(advise.CannotTell, drift.Opt[float64]{}), safe) // 5 instead of 3
	part.answer(answer(advise.Wait, drift.Some(0.5)), out)             // 5, as the oracle
	assert.Equal(t, []int{5, 4}, []int{part.answers, part.stated})
	assert.InDelta(t, 3+5+30+5+5, part.minutes, 1e-9)
	assert.InDelta(t, 3+3+5+3+5, part.leastMinutes, 1e-9)
	assert.InDelta(t, 25, part.ifAll, 1e-9)
	assert.InDelta(t, 0.03*0.03+0.2*0.2+0.42*0.42, part.chanceSquares, 1e-9)
	for _, m := range judged() {
		if m.key == "move_cost" {
			cost, _ := m.value(&part)
			assert.InDelta(t, (48.-19)/(25-19), cost, 1e-9)
		}
	}
}

func TestMedianWorstTenthAndPooled(t *testing.T) {
	// Twelve fleets whose bias is −1, 0, … 10; the last two have too few cases.
	var all []tallies
	for i := range 12 {
		n := leastCases
		if i >= 10 {
			n--
		}
		all = append(all, tallies{allData: &tally{levels: n, levelErrors: float64(n * (i - 1))}})
	}
	var bias measure
	for _, m := range judged() {
		if m.key == "power_bias" {
			bias = m
		}
	}
	s := summarize(bias, allData, all)
	assert.Equal(t, 10, s.fleets)
	assert.InDelta(t, 3.5, s.median, 1e-9)
	assert.InDelta(t, 7, s.worst, 1e-9, "one fleet of ten is worse")
	assert.InDelta(t, (10*35.+9*9+9*10)/(100+18), s.pooled, 1e-9)

	none := summarize(bias, string(advise.Full), all)
	assert.True(t, math.IsNaN(none.median) && math.IsNaN(none.pooled))
	assert.Equal(t, "-", none.shown(none.median))
}

func TestTheWorstIsOnTheBadSide(t *testing.T) {
	var all []tallies
	for i := range 10 { // intervals that hold 76 to 94 %, and one that holds 60
		all = append(all, tallies{allData: &tally{outlooks: outlooks{forecasts: 100, inside: 76 + 2*i}}})
	}
	all[0].of(allData).inside = 60
	for _, m := range judged() {
		if m.key == "interval" {
			assert.InDelta(t, 0.94, summarize(m, allData, all).worst, 1e-9, "60 is the worst, 94 the next")
		}
	}
}

func TestBars(t *testing.T) {
	v := verdict{measures: judged(), grades: []string{string(advise.Full)}, bars: bars(blind.Wish{})}
	good := &tally{
		outlooks: outlooks{forecasts: 100, inside: 80, losses: [byOracle + 1]float64{19, 100, 100, 100, 0}},
		levels:   100, levelInside: 80, levelSquares: 64, levelErrors: 40,
		answers: 100, stated: 100, chanceSquares: 0.8, minutes: 10, leastMinutes: 0, ifAll: 100,
	}
	v.fleets = []tallies{{string(advise.Full): good}}
	assert.Empty(t, v.missed())
	good.losses[byModel] = 21 // skill 0.79
	good.levelErrors = -60
	assert.Equal(t, []string{
		"full, arcs to failure: skill: 0.79 is not ≥ 0.80",
		"full, required power: bias: -0.60 % is not -0.50 to 0.50",
	}, v.missed())
	v.fleets = []tallies{{}}
	assert.Len(t, v.missed(), 7, "what could not be judged meets no bar")

	known := map[string]bool{}
	for _, m := range slices.Concat(judged(), typingMeasures(), stopped()) {
		known[m.key] = true
	}
	for _, all := range [][]bar{bars(blind.Wish{}), bars(blind.Wish{Programs: 3}), bars(blind.Wish{EveryDays: 7}), typingBars(), messBars()} {
		for _, b := range all {
			assert.True(t, known[b.measure], b.measure)
			assert.Contains(t, grades(), b.grade)
		}
	}
}

// What is seldom is judged of all cases: most fleets have none.
func TestBarsOfMess(t *testing.T) {
	v := verdict{measures: stopped(), grades: grades(), bars: messBars()}
	for i := range 3 {
		v.fleets = append(v.fleets, tallies{allData: &tally{stops: stops{days: 1000, wrong: i / 2 * 3, right: 10}}})
	}
	assert.Empty(t, v.missed(), "three in 3,000")
	v.fleets[2].of(allData).stops.wrong++
	v.fleets[2].of(allData).stops.lost++
	assert.Equal(t, []string{
		"all, false stops by mess, in 1,000 machine-days: 1.33 is not ≤ 1.00",
		"all, lost by mess: 3 % is not ≤ 0.00",
	}, v.missed())
}

func TestStopsByHand(t *testing.T) {
	midnight := time.Date(2025, 3, 10, 0, 0, 0, 0, time.UTC)
	got := func(r rigged, states ...backtest.StateCase) *played {
		f := &blind.Fleet{Machines: []blind.Machine{*machine(advise.Full, r)}}
		return &played{Fleet: f, truth: truthOf(f), start: midnight, end: midnight.AddDate(0, 0, 10),
			replay: &backtest.Replay{Moments: []time.Time{midnight}, States: states}}
	}
	from := func(day int, s advise.State) backtest.StateCase {
		return backtest.StateCase{Machine: "M", From: midnight.AddDate(0, 0, day).Add(-time.Hour), State: s}
	}
	count := func(r rigged, clean, messy []backtest.StateCase) stops {
		return compareStops(got(r, clean...), got(r, messy...)).of(allData).stops
	}
	// Of 100 arcs a day and 5 left it fails within 14 days, of 5,000 left not.
	failing, good := rigged{perDay: 100, lived: 5}, rigged{perDay: 100, lived: 5000}
	stop := []backtest.StateCase{from(2, advise.Stop), from(6, advise.CheckFirst)} // four midnights
	assert.Equal(t, stops{days: 10, wrong: 4}, count(good, nil, stop))
	assert.Equal(t, stops{days: 10, cleanWrong: 4}, count(good, stop, stop))
	assert.Equal(t, stops{days: 10}, count(failing, nil, stop), "a right one more is no harm")
	assert.Equal(t, stops{days: 10, right: 4}, count(failing, stop, stop))
	assert.Equal(t, stops{days: 10, right: 4, lost: 2}, count(failing, stop, []backtest.StateCase{from(2, advise.Stop), from(4, advise.Fit)}))
}
