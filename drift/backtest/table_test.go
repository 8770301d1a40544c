package backtest

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// says makes a case in which every forecaster says the same.
func says(o Outlook, arcs float64, censored bool) Case {
	c := Case{Grade: model.Full, PerDay: 10, Arcs: arcs, Days: arcs / 10, Censored: censored}
	for range Forecasters() {
		c.Stated = append(c.Stated, o)
	}
	return c
}

func TestLossesByHand(t *testing.T) {
	r := Replay{Moments: []time.Time{dawn}, Cases: []Case{
		says(point(100), 120, false), says(point(100), 150, true), says(point(100), 60, false), says(point(300), 200, false),
	}}
	row := r.Tables().Arcs[0]
	// Censored outcomes: of two still followed at 150 one is censored, so that the 200
	// counts twice: weights 1, 0, 1, 2.
	assert.Equal(t, advise.Grade("all"), row.Grade)
	assert.Equal(t, 4, row.N)
	assert.Equal(t, 1, row.Censored)
	assert.InDelta(t, (0.1*20+0.9*40+2*0.9*100)/4, row.Pinball10.Or(0), 1e-9)
	assert.InDelta(t, (0.5*20+0.5*40+2*0.5*100)/4, row.Pinball50.Or(0), 1e-9)
	assert.InDelta(t, (0.9*20+0.1*40+2*0.1*100)/4, row.Pinball90.Or(0), 1e-9)
	assert.InDelta(t, (20+40+2*100)/4., row.CRPS.Or(0), 1e-9)
	// Fourteen days are 140 arcs. Days: 12 failed, 15 outlived it, 6 failed, 20
	// outlived it, and none was censored before: stated, 1 1 1 0; true, 1 0 1 0.
	assert.InDelta(t, 0.25, row.Brier.Or(0), 1e-9)
	assert.Equal(t, float64(forecast.Horizon), r.Tables().Reach)
}

func TestReachIsWhereAFifthIsStillFollowed(t *testing.T) {
	r := Replay{Moments: []time.Time{dawn}}
	for i := range 10 {
		r.Cases = append(r.Cases, says(point(1000), 100*float64(i+1), true))
	}
	rep := r.Tables()
	assert.Equal(t, 800.0, rep.Reach)
	row := rep.Arcs[0]
	// Those seen up to 800 have outlived what is scored: nothing was said wrong.
	assert.Equal(t, 7, row.Censored)
	assert.Zero(t, row.Pinball.Or(1))
}

func TestHeldIsEightInTenForAnHonestForecast(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	o := outlookOf(func(p float64) float64 { return 1000 * p })
	for _, reach := range []float64{6000, 800, 300, 50} {
		sum, n := 0.0, 20000
		for range n {
			sum += o.coverage(min(1000*rng.Float64(), reach), reach)
		}
		// Four standard errors of a share of 0.8, and the hundredth that a
		// quantile is fine.
		assert.InDelta(t, 0.8, sum/float64(n), 0.012+0.01, "reach %v", reach)
	}
}

// Whoever knows the truth has no loss, and everybody else some.
func TestAPerfectForecasterBeatsAll(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	r := Replay{Moments: []time.Time{dawn}}
	for range 60 {
		arcs := 50 + 2000*rng.Float64()
		c := says(outlookOf(func(p float64) float64 { return 2000 * p }), arcs, rng.Float64() < 0.3)
		c.Stated[0] = point(arcs)
		r.Cases = append(r.Cases, c)
	}
	rows := r.Tables().Arcs
	require.Len(t, rows, 2*len(Forecasters()), "all, and full data")
	assert.Equal(t, Model, rows[0].Who)
	assert.Zero(t, rows[0].Pinball.Or(1))
	assert.InDelta(t, 0, rows[0].CRPS.Or(1), 1e-9)
	assert.Zero(t, rows[0].Brier.Or(1))
	for _, row := range rows[1:len(Forecasters())] {
		assert.Positive(t, row.Pinball.Or(0), row.Who)
		assert.Positive(t, row.CRPS.Or(0), row.Who)
		assert.Positive(t, row.Brier.Or(0), row.Who)
	}
}

func TestMovesByHand(t *testing.T) {
	move := func(out bool, chance drift.Opt[float64], checks bool, rule bool) MoveCase {
		return MoveCase{Grade: model.PassFail, Out: out, Chance: chance, Checks: []bool{checks, true, false, rule, out}, CheckMinutes: 5, OutMinutes: 60}
	}
	rows := moveRows([]MoveCase{
		move(true, drift.Some(0.5), true, false),
		move(false, drift.Some(0.05), false, true),
		move(true, drift.Some(0.05), false, true),
		move(false, drift.Opt[float64]{}, true, false), // could not tell: check
	})
	require.Len(t, rows, 2*len(MoveRules()))
	minutes, brier := map[string]float64{}, map[string]float64{}
	for _, r := range rows[len(MoveRules()):] {
		assert.Equal(t, advise.PassFail, r.Grade)
		minutes[r.Rule], brier[r.Rule] = r.Minutes, r.Brier.Or(-1)
	}
	assert.Equal(t, map[string]float64{Model: 70. / 4, Always: 5, Never: 30, Rule: 70. / 4, Hindsight: 2.5}, minutes)
	assert.InDelta(t, (0.25+0.0025+0.9025)/3, brier[Model], 1e-9)
	assert.InDelta(t, 0.5, brier[Rule], 1e-9, "wrong twice in four")
}

func TestReliability(t *testing.T) {
	bins := reliability([]MoveCase{
		{Chance: drift.Some(0.12), Out: true}, {Chance: drift.Some(0.16)}, {Chance: drift.Some(1.0), Out: true}, {},
	})
	require.Len(t, bins, 10)
	assert.Equal(t, 2, bins[1].N)
	assert.InDelta(t, 0.14, bins[1].Stated.Or(0), 1e-9)
	assert.Equal(t, drift.Some(0.5), bins[1].Out)
	assert.Equal(t, 1, bins[9].N)
	assert.False(t, bins[0].Out.Known())
}

func TestAlertsByHand(t *testing.T) {
	g, machine := guard{}, model.NewMachine("K-07", new(model.Prior()))
	day := func(n float64) time.Time { return dawn.Add(time.Duration(n * 24 * float64(time.Hour))) }
	look := func(alarm bool, at float64) { g.look(alarm, Model, machine, day(at)) }
	look(true, 0)
	look(false, 1)
	look(false, 7.9)
	look(true, 8) // it was gone for six days and more, but not for seven
	look(false, 9)
	look(false, 16)
	look(false, 17)
	look(true, 18)
	require.Len(t, g.alerts, 2, "one message each time it rises")
	assert.Equal(t, day(16), g.alerts[0].Ended)
	assert.Equal(t, drift.Some(5.0), notice(g.alerts, &forecast.Failure{At: day(5), Last: day(5)}))
	assert.False(t, notice(g.alerts, &forecast.Failure{At: day(17), Last: day(17)}).Known(), "taken back before")
	assert.Equal(t, drift.Some(2.0), notice(g.alerts, &forecast.Failure{At: day(20), Last: day(20)}))
	g.end(day(21))
	g.end(day(22))
	assert.Equal(t, day(21), g.alerts[1].Ended, "a service ends it at once")

	g.alerts[0].Outcome, g.alerts[1].Outcome = Right, Wrong
	none := drift.Opt[float64]{}
	all := append(g.alerts, Alert{Who: Hindsight, Outcome: Right}, Alert{Who: FleetLifetimes, Outcome: Right, Recent: true})
	rows := (&Watch{Alerts: all, Months: 4, Failures: []Failed{
		{Notice: []drift.Opt[float64]{drift.Some(5.0), none, none, none, drift.Some(9.0)}},
		{Notice: []drift.Opt[float64]{drift.Some(2.0), none, none, none, drift.Some(2.0)}},
		{Notice: []drift.Opt[float64]{none, none, none, drift.Some(0.0), drift.Some(3.0)}},
	}}).Rows()
	m := rows[0]
	assert.Equal(t, []int{2, 1, 1, 0, 3, 1}, []int{m.Alerts, m.Right, m.Wrong, m.Unclear, m.Failures, m.Announced})
	assert.Equal(t, drift.Some(0.5), m.PerMonth)
	assert.Equal(t, drift.Some(0.5), m.Precision)
	assert.InDelta(t, 1./3, m.Recall.Or(0), 1e-9)
	assert.Equal(t, drift.Some(3.5), m.Notice)
	assert.False(t, rows[1].Precision.Known(), "none old enough")
	assert.Equal(t, []int{1, 0, 1}, []int{rows[1].Alerts, rows[1].Right, rows[1].Unclear})

	// Precision and recall are 1/2 and 1/3, harmonic mean 2/(2 + 3); those of
	// hindsight 1 and 2/3, harmonic mean 2/(1 + 3/2) = 4/5.
	assert.Equal(t, Hindsight, rows[byBest].Who)
	assert.InDelta(t, 0.4, m.F1.Or(0), 1e-12)
	assert.InDelta(t, 0.8, rows[byBest].F1.Or(0), 1e-12)
	assert.InDelta(t, 0.5, m.Share.Or(0), 1e-12)
	assert.InDelta(t, 1, rows[byBest].Share.Or(0), 1e-12)
	assert.False(t, rows[byRow].Share.Known(), "none raised, none judged")
	assert.Equal(t, drift.Some(0.0), f1(drift.Some(0.9), drift.Some(0.0)), "right and too late is worth nothing")
}

func TestReportCard(t *testing.T) {
	none := drift.Opt[float64]{}
	noticed := func(d drift.Opt[float64]) []drift.Opt[float64] {
		return []drift.Opt[float64]{d, none, none, none, none}
	}
	r := Replay{Moments: []time.Time{dawn}, Until: dawn.AddDate(0, 1, 0), Watch: Watch{
		Months: 3,
		Alerts: []Alert{
			{Who: Model, Machine: "K-02", Raised: dawn.AddDate(0, 0, 9), Outcome: Wrong},
			{Who: FixedCount, Machine: "K-02", Raised: dawn, Outcome: Right},
			{Who: Model, Machine: "K-01", Raised: dawn.AddDate(0, 0, 3), Outcome: Right},
		},
		Failures: []Failed{
			{Machine: "K-02", Time: dawn.AddDate(0, 0, 20), Notice: noticed(none)},
			{Machine: "K-01", Time: dawn.AddDate(0, 0, 8), Notice: noticed(drift.Some(5.0))},
			{Machine: "K-03", Time: dawn.AddDate(0, 0, 8), Notice: noticed(drift.Some(2.9))},
		},
	}}
	c := r.Card()
	assert.Equal(t, []int{2, 1, 1, 3, 1, 1, 1}, []int{c.Alerts, c.Right, c.Wrong, c.Failures, c.Announced, c.Late, c.Missed})
	assert.Equal(t, []string{"K-01", "K-02"}, []string{c.List[0].Machine, c.List[1].Machine})
	assert.Equal(t, []string{"K-01", "K-03", "K-02"}, []string{c.Failed[0].Machine, c.Failed[1].Machine, c.Failed[2].Machine})
}
