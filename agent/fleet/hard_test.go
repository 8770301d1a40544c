package fleet_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift/backtest"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
	"arcdrift/drift/score"
	"arcdrift/drift/synth"
)

// BenchmarkHard holds forecasts and required power against the truth on fleets whose
// machines are met with worn pairs, stand at their limits, and correct themselves in
// ways drawn at random, by grade of data: the loss of arcs to failure, 1 for perfect
// knowledge of everything but chance; how often the interval of 8 in 10 held; and of
// required power the mean error and its root mean square, in percent, and how often
// 8 in 10 held. A seed is one fleet. 24 machines, 200 days; -benchtime 1x, and
// ARCDRIFT_HARD for the first seed and how many.
func BenchmarkHard(b *testing.B) {
	first, n := 1, 4
	if s := os.Getenv("ARCDRIFT_HARD"); s != "" {
		_, err := fmt.Sscanf(s, "%d,%d", &first, &n)
		require.NoError(b, err)
	}
	for _, kind := range hardKinds() {
		b.Run(kind.name, func(b *testing.B) {
			var all, sum [3]hardScore
			for b.Loop() {
				for seed := first; seed < first+n; seed++ {
					all = scoreHard(b, kind, uint64(seed))
					for g := range all {
						sum[g].add(&all[g])
					}
				}
			}
			b.ReportMetric(0, "ns/op")
			for g := range sum {
				sum[g].report(b, [...]string{"full", "correction", "pass-fail"}[g])
			}
		})
	}
}

type hardKind struct {
	name string
	draw func(w *synth.World, rng *rand.Rand)
}

// hardKinds are the kinds of fleet; what a kind does not set is drawn as for all.
func hardKinds() []hardKind {
	return []hardKind{
		{"worn", func(w *synth.World, rng *rand.Rand) { w.FirstWear = 1 }},
		{"limit", func(w *synth.World, rng *rand.Rand) {
			w.FirstWear = 1
			for i := range w.Models {
				w.Models[i].Limit = 3 + 3*rng.Float64()
				w.Models[i].Slope.Mean = math.Abs(w.Models[i].Slope.Mean) + 1
			}
		}},
	}
}

// hardWorld draws the constants of a fleet.
func hardWorld(rng *rand.Rand) synth.World {
	w, _ := synth.WorldNamed("straight")
	w.Grades = synth.Mix{Full: 0.34, Correction: 0.33, Typed: 0.3}
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	for i := range w.Models {
		m := &w.Models[i]
		m.Slope = synth.Spread{Mean: between(0.5, 3.5), SD: between(0.3, 1)}
		m.Offset.SD = between(0.5, 2)
		m.Law.MachineOffset = between(0, 1)
		m.Bend = math.Exp(between(-0.2, 0.8))
		m.Gain, m.PassGain = between(0.3, 1.3), 0
		if rng.Float64() < 0.5 {
			m.PassGain = between(0.1, 1)
		}
		m.Law.DeadBand = between(0, 0.5)
		m.Law.CoarseSteps, m.Law.Averages = rng.Float64() < 0.3, rng.Float64() < 0.2
		m.Law.Resets = rng.Float64() < 0.3
		m.Scatter, m.ScatterArcs, m.ScatterBend = between(0.8, 1.8), between(1500, 4000), between(2, 6)
	}
	w.Bench.Cleans = rng.IntN(3)
	if rng.Float64() < 0.4 {
		w.Bench.ReplaceAt = int64(between(2000, 4000))
	}
	return w
}

type hardScore struct {
	n, loss, perfect, held        float64
	looks, bias, squares, covered float64
}

func (s *hardScore) add(o *hardScore) {
	s.n, s.loss, s.perfect, s.held = s.n+o.n, s.loss+o.loss, s.perfect+o.perfect, s.held+o.held
	s.looks, s.bias, s.squares, s.covered = s.looks+o.looks, s.bias+o.bias, s.squares+o.squares, s.covered+o.covered
}

func (s *hardScore) report(b *testing.B, grade string) {
	b.ReportMetric(s.loss/s.perfect, grade+"-loss")
	b.ReportMetric(s.held/s.n, grade+"-held")
	b.ReportMetric(s.bias/s.looks, grade+"-power-bias")
	b.ReportMetric(math.Sqrt(s.squares/s.looks), grade+"-power-rms")
	b.ReportMetric(s.covered/s.looks, grade+"-power-held")
}

func scoreHard(b testing.TB, kind hardKind, seed uint64) (all [3]hardScore) {
	const machines, days = 24, 200
	rng := rand.New(rand.NewPCG(seed, 1))
	w := hardWorld(rng)
	kind.draw(&w, rng)
	invented := synth.Make(w, seed, machines, time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC).AddDate(0, 0, -days), days)
	told := fleet.NewRecords(invented.Records)
	for _, day := range []int{100, 150, 199} {
		at := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC).AddDate(0, 0, day-days).Add(23 * time.Hour)
		pasts, err := fleet.Pasts(told, at)
		require.NoError(b, err)
		var sample model.Sample
		for i := range pasts {
			sample.Enrol(pasts[i].History)
		}
		pop := forecast.Learn(&sample)
		for i := range pasts {
			truth := invented.Truth.Machine(pasts[i].Machine)
			all[gradeOf(truth)].look(b, &pasts[i], pop, truth, at)
		}
	}
	return all
}

func (s *hardScore) look(b testing.TB, p *backtest.Past, pop *model.Population, truth *synth.Machine, at time.Time) {
	m := model.NewMachine(p.Machine, pop.For(p.Key))
	for j := range p.Events {
		m.Update(&p.Events[j])
	}
	level, sd := m.Level()
	now := truth.At(at)
	off := model.Pct(level) - now.RequiredPct
	s.looks++
	s.bias += off
	s.squares += off * off
	if math.Abs(off) < 1.2816*sd*math.Exp(level/100) {
		s.covered++
	}
	_, arcs, _, _ := m.Pair()
	life := forecast.Run(m, forecast.Plan{Paths: 400, Horizon: forecast.Horizon, AttemptLimit: p.AttemptLimit, Seed: uint64(arcs)})
	fate, _ := truth.ArcsToFailure(at, forecast.Horizon)
	draws := truth.Futures(at, forecast.Horizon, 100, 1)
	for _, percent := range []int{10, 50, 90} {
		q := float64(percent) / 100
		s.loss += score.Pinball(float64(fate), life.Quantile(q), q)
		s.perfect += score.Pinball(float64(fate), float64(draws[percent]), q)
	}
	s.n++
	if float64(fate) >= life.Quantile(0.1) && float64(fate) <= life.Quantile(0.9) {
		s.held++
	}
}
