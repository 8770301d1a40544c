package fleet_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift/backtest"
	"arcdrift/drift/forecast"
	"arcdrift/drift/score"
	"arcdrift/drift/synth"
)

// BenchmarkTruth holds forecasts and site checks on invented fleets against their
// truth, by grade of data: the skill of arcs to failure, 0 for the fleet's own past
// lives and 1 for perfect knowledge of everything but chance; how often the
// interval of 8 in 10 held; the root mean square error of the stated chance of
// being out after a move; and how much of the way from perfect knowledge (0) to
// always recalibrating (1) its advice costs, with the minutes that perfect knowledge
// spends on a move and those lost against it. 60 machines, 240 days; -benchtime 1x.
func BenchmarkTruth(b *testing.B) {
	for _, w := range synth.Worlds() {
		for seed := uint64(41); seed <= 43; seed++ {
			b.Run(fmt.Sprintf("%s/seed=%d", w.Name, seed), func(b *testing.B) {
				var all [3]trueScore
				for b.Loop() {
					all = scoreTruth(b, w, seed)
				}
				b.ReportMetric(0, "ns/op")
				for grade, s := range all {
					s.report(b, [...]string{"full", "correction", "pass-fail"}[grade])
				}
			})
		}
	}
}

// trueScore sums what one grade of data earned.
type trueScore struct {
	forecasts, held                 float64
	model, lives, perfect           float64 // losses in arcs
	moves, squares                  float64
	minutes, leastMinutes, ifAlways float64
}

func (s *trueScore) report(b *testing.B, grade string) {
	if s.forecasts > 0 {
		b.ReportMetric((s.lives-s.model)/(s.lives-s.perfect), grade+"-skill")
		b.ReportMetric(s.held/s.forecasts, grade+"-held")
	}
	if s.moves > 0 {
		b.ReportMetric(math.Sqrt(s.squares/s.moves), grade+"-move-rms")
		b.ReportMetric((s.minutes-s.leastMinutes)/(s.ifAlways-s.leastMinutes), grade+"-move-cost")
		b.ReportMetric(s.leastMinutes/s.moves, grade+"-least-minutes")
		b.ReportMetric((s.minutes-s.leastMinutes)/s.moves, grade+"-lost-minutes")
	}
}

// scoreTruth invents one fleet, replays it and asks its truth.
func scoreTruth(b *testing.B, w synth.World, seed uint64) (all [3]trueScore) {
	const machines, days = 60, 240
	invented := synth.Make(w, seed, machines, time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC).AddDate(0, 0, -days), days)
	told := fleet.NewRecords(invented.Records)
	pasts := func(asOf time.Time) ([]backtest.Past, error) { return fleet.Pasts(told, asOf) }
	replay, err := backtest.Run(pasts, time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC), backtest.Plan{Seed: seed})
	require.NoError(b, err)
	for i := range replay.Cases {
		m := invented.Truth.Machine(replay.Cases[i].Machine)
		all[gradeOf(m)].forecast(&replay.Cases[i], m)
	}
	for i := range replay.Moves {
		m := invented.Truth.Machine(replay.Moves[i].Machine)
		all[gradeOf(m)].move(&replay.Moves[i], m)
	}
	return all
}

func gradeOf(m *synth.Machine) int {
	switch m.Grade {
	case synth.Full:
		return 0
	case synth.Correction:
		return 1
	default:
		return 2
	}
}

// forecast scores one forecast by its quantiles of 1, 5 and 9 in 10.
func (s *trueScore) forecast(c *backtest.Case, m *synth.Machine) {
	arcs, _ := m.ArcsToFailure(c.Moment, forecast.Horizon)
	draws := m.Futures(c.Moment, forecast.Horizon, 200, 1)
	loss := func(at func(percent int) float64) (sum float64) {
		for _, percent := range []int{10, 50, 90} {
			sum += score.Pinball(float64(arcs), at(percent), float64(percent)/100)
		}
		return sum
	}
	said := &c.Stated[0]
	s.model += loss(said.At)
	s.lives += loss(c.Stated[1].At)
	s.perfect += loss(func(percent int) float64 { return float64(draws[percent*len(draws)/100]) })
	s.forecasts++
	if float64(arcs) >= said.At(10) && float64(arcs) <= said.At(90) {
		s.held++
	}
}

// move scores one site check.
func (s *trueScore) move(c *backtest.MoveCase, m *synth.Machine) {
	// A typed session is told minutes after it began, and by then it has moved the
	// setting.
	began := c.Time
	for _, session := range m.Sessions {
		if session.Time.After(c.Time) {
			break
		}
		began = session.Time
	}
	truth := m.ProbabilityOut(began.Add(-time.Second), m.At(began).Air)
	cost := func(check bool) float64 {
		if check {
			return c.CheckMinutes
		}
		return truth * c.OutMinutes
	}
	if said, ok := c.Chance.Get(); ok {
		s.squares += (said - truth) * (said - truth)
		s.moves++
		s.minutes += cost(c.Checks[0])
		s.leastMinutes += min(c.CheckMinutes, truth*c.OutMinutes)
		s.ifAlways += c.CheckMinutes
	}
}
