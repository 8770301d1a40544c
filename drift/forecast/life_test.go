package forecast_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/fit"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// even is a kind without scatter, dirt or air, whose machines put every
// deviation right as long as they can.
func even() *model.Params {
	return &model.Params{
		Kappa: 2, Target: drift.Some(100.0), Tolerance: drift.Some(0.1), Limit: drift.Some(12.0), GainFail: 1,
		Slope: 2, SlopeSD: 0.8, Walk: 4, WearExponent: 1, Scatter: 1e-9, ScatterArcs: 2000, ScatterExponent: 2,
		DirtAhead: [...]float64{1: 1, 3: 0},
	}
}

// Nothing but a level with a drift of its own, and the machine's limit as the
// barrier: first passage, looked at every 40 arcs. Looking so seldom is as good
// as a barrier 0.5826 standard deviations of a step further off (Broadie,
// Glasserman & Kou 1997, Mathematical Finance 7:325).
//
// It is the same whether the machine corrects after a fail or the setting is moved
// to the need before a session of one attempt.
func TestRunIsFirstPassageAtTheLimit(t *testing.T) {
	for name, policy := range map[string]struct {
		gain, follow float64
		limit        int
	}{"corrects": {1, 0, 4}, "follows": {0, 1, 1}} {
		t.Run(name, func(t *testing.T) {
			p := even()
			p.GainFail, p.Follow = policy.gain, policy.follow
			isFirstPassage(t, p, policy.limit)
		})
	}
}

func isFirstPassage(t *testing.T, p *model.Params, attempts int) {
	t.Helper()
	const paths, step = 20_000, 0.04 // a session each 40 arcs, in 1000 arcs
	// A hundredth of everything: wear adds percent and the walk log percent, and
	// so near to nominal the two are the same.
	p.Limit, p.Tolerance = drift.Some(0.12), drift.Some(0.001)
	p.Slope, p.SlopeSD, p.Walk = 0.02, 0.008, 4e-4
	life := forecast.Run(model.NewMachine("K-07", p), forecast.Plan{Paths: paths, Horizon: 20_000, AttemptLimit: attempts, Seed: 1})
	_, top := p.Bounds()
	_, edge := p.Window()
	exact := forecast.FirstPassage{
		Distance: top + edge + 0.5826*math.Sqrt(p.Walk*step),
		Drift:    p.Slope, DriftSD: p.SlopeSD, Noise: math.Sqrt(p.Walk),
	}
	// Simulation: the largest of many deviations of an empirical distribution of
	// 20 000 stays below 1.63/√20000 = 0.012 in 99 of 100 seeds (Kolmogorov).
	// What the correction leaves is of the order of one step of the mean drift,
	// 0.0008, against the spread of the level, 0.05: another 0.005.
	for arcs := 400.0; arcs <= 20_000; arcs += 400 {
		assert.InDelta(t, exact.CDF(arcs/1000), life.Before(arcs), 0.017, "%v arcs", arcs)
	}
	assert.InDelta(t, 1-exact.CDF(20), life.Beyond(), 0.017)
}

// Nothing but scatter, and a machine that corrects nothing: every session is
// lost with the same chance, so that lives are geometric.
func TestRunIsGeometricUnderScatterAlone(t *testing.T) {
	const paths, step, limit = 20_000, 40, 3
	p := even()
	p.Slope, p.SlopeSD, p.Walk, p.GainFail, p.Limit = 0, 0, 0, 0, drift.Opt[float64]{}
	p.Tolerance, p.Scatter, p.ScatterArcs = drift.Some(5.0), 2, 1e9
	m := model.NewMachine("K-07", p)
	m.Update(&model.Event{
		Kind: model.Attempt, Time: time.Unix(0, 0), Tries: 1, Passed: true, NewSession: true,
		Melt: drift.Some(0.0), Setting: drift.Some(0.0), Next: drift.Some(0.0),
	})
	life := forecast.Run(m, forecast.Plan{Paths: paths, Horizon: 6000, AttemptLimit: limit, Seed: 2})
	lo, hi := p.Window()
	// The multiple is one of the grid's steps of 0.3 about 1, in logarithms.
	const steps = 200
	for sessions := 1.0; sessions < 60; sessions += 4 {
		want := 0.0
		for i := range steps {
			s := p.Scatter * math.Exp(0.3*((float64(i)+0.5)/steps-0.5))
			lost := math.Pow(1-fit.NormalCDF(hi/s)+fit.NormalCDF(lo/s), limit)
			want += (1 - math.Pow(1-lost, sessions)) / steps
		}
		// As above, for simulation alone.
		assert.InDelta(t, want, life.Before(sessions*step), 0.012, "%v sessions", sessions)
	}
}

func TestRunIsAFunctionOfItsPlan(t *testing.T) {
	m := model.NewMachine("K-07", even())
	plan := forecast.Plan{Paths: 300, Horizon: forecast.Horizon, AttemptLimit: 4, Seed: 7}
	life := forecast.Run(m, plan)
	assert.Equal(t, life, forecast.Run(m, plan))
	assert.Equal(t, forecast.Fan(m, plan), forecast.Fan(m, plan))
	plan.Seed++
	assert.NotEqual(t, life, forecast.Run(m, plan))
	require.True(t, slices.IsSorted(life.Arcs))
	assert.Len(t, life.Arcs, 300)
}

func TestWhatShortensALife(t *testing.T) {
	median := func(change func(*model.Params)) float64 {
		p := even()
		p.Scatter, p.ScatterArcs, p.Tolerance = 1, 20_000, drift.Some(10.0)
		change(p)
		return forecast.Run(model.NewMachine("K-07", p), forecast.Plan{Paths: 2000, Horizon: 1e5, AttemptLimit: 4, Seed: 3}).Quantile(0.5)
	}
	usual := median(func(*model.Params) {})
	// By how much: the relative standard error of a median of 2000 lives that
	// spread as these do is about 2 %; each of these changes more than ten times
	// that.
	for name, change := range map[string]func(*model.Params){
		"more slope":           func(p *model.Params) { p.Slope = 3 },
		"a closer limit":       func(p *model.Params) { p.Limit = drift.Some(8.0) },
		"scatter that grows":   func(p *model.Params) { p.ScatterArcs, p.ScatterExponent = 1000, 4 },
		"dirt":                 func(p *model.Params) { p.DirtRate, p.DirtLevel = 1, 2 },
		"a machine that waits": func(p *model.Params) { p.GainFail = 0 },
	} {
		assert.Less(t, median(change), 0.8*usual, name)
	}
}

func TestLife(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const horizon = 6000.0
		arcs := rapid.SliceOfN(rapid.Float64Range(1, horizon), 0, 40).Draw(t, "arcs")
		slices.Sort(arcs)
		inside := len(arcs)
		for range rapid.IntRange(0, 10).Draw(t, "beyond") {
			arcs = append(arcs, math.Inf(1))
		}
		l := forecast.Life{Arcs: arcs, Horizon: horizon}
		if len(arcs) == 0 {
			assert.Equal(t, [3]float64{0, 1, 0}, [3]float64{l.Quantile(0.5), l.Beyond(), l.Before(horizon)})
			return
		}
		n := float64(len(arcs))
		assert.InDelta(t, float64(inside)/n, l.Before(horizon), 1e-12)
		assert.InDelta(t, 1, l.Before(horizon)+l.Beyond(), 1e-12, "no mass is lost")
		last := 0.0
		for p := 0.0; p <= 1; p += 0.05 {
			q := l.Quantile(p)
			require.GreaterOrEqual(t, q, last)
			require.LessOrEqual(t, q, horizon)
			last = q
			if q < horizon {
				assert.GreaterOrEqual(t, l.Before(q)+1/n, p-1e-9, "so many have failed by then")
			}
		}
		assert.Equal(t, min(arcs[0], horizon), l.Quantile(0))
	})
	four := forecast.Life{Arcs: []float64{100, 200, 300, math.Inf(1)}, Horizon: 6000}
	assert.Equal(t, 150.0, four.Quantile(1.0/6))
	assert.Equal(t, 6000.0, four.Quantile(1))
	assert.Equal(t, 0.25, four.Beyond())
	assert.Equal(t, 0.5, four.Before(200), "failures at that arc count")
	assert.Equal(t, 0.25, four.Before(199))
}

// Required power ahead: the level and its random walk are normal in log percent,
// wear on the bent clock is normal in percent; dirt adds a compound Poisson sum
// of mean λd and variance 2λd² to the former.
func TestPowerClosedForm(t *testing.T) {
	const draws = 40_000
	quantiles := func(x []float64, mean, sd float64) {
		require.True(t, slices.IsSorted(x))
		for _, q := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
			// Standard error of a quantile: √(q(1−q)/n) over the density there; four.
			within := 4 * sd * math.Sqrt(q*(1-q)/draws) / fit.NormalPDF(fit.NormalQuantile(q))
			assert.InDelta(t, mean+sd*fit.NormalQuantile(q), x[int(q*draws)], within, "quantile %v", q)
		}
	}
	inLog := func(x []float64) []float64 {
		out := make([]float64, len(x))
		for i, v := range x {
			out[i] = 100 * math.Log1p(v/100)
		}
		return out
	}
	wear := even()
	wear.Level, wear.Walk, wear.WearExponent = 1, 0, 1.6
	x := forecast.Power(model.NewMachine("K-07", wear), 2500, forecast.Plan{Paths: draws, Seed: 4})
	quantiles(x, model.Pct(1)+wear.Slope*wear.Wear(2500), wear.SlopeSD*wear.Wear(2500))

	walk := even()
	walk.Level, walk.LevelSD, walk.Walk, walk.Slope, walk.SlopeSD = 1, 1.5, 0.5, 0, 0
	x = forecast.Power(model.NewMachine("K-07", walk), 2500, forecast.Plan{Paths: draws, Seed: 4})
	quantiles(inLog(x), 1, math.Sqrt(1.5*1.5+0.5*2.5))

	walk.Scatter, walk.DirtRate, walk.DirtLevel = 1, 0.4, 2
	x = inLog(forecast.Power(model.NewMachine("K-07", walk), 2000, forecast.Plan{Paths: draws, Seed: 5}))
	var sum, squares float64
	for _, u := range x {
		sum += u / draws
		squares += u * u / draws
	}
	variance := 1.5*1.5 + 0.5*2 + 2*0.8*4
	assert.InDelta(t, 1+0.8*2, sum, 4*math.Sqrt(variance/draws))
	// The relative error of a variance is about √(2/n) = 0.007, with these tails
	// perhaps 0.01.
	assert.InEpsilon(t, variance, squares-sum*sum, 0.04)
}

func TestFan(t *testing.T) {
	p := even()
	p.LevelSD = 1
	m := model.NewMachine("K-07", p)
	m.Update(&model.Event{Kind: model.Usage, Arcs: 700, Step: 700})
	fan := forecast.Fan(m, forecast.Plan{Paths: 2000, Horizon: forecast.Horizon, AttemptLimit: 4, Seed: 6})
	require.Len(t, fan, 13)
	assert.Equal(t, 700.0, fan[0].Arcs)
	assert.GreaterOrEqual(t, fan[12].Arcs, 1000.0, "at least 300 arcs ahead")
	for i, f := range fan {
		assert.True(t, f.P10 <= f.P50 && f.P50 <= f.P90, "%+v", f)
		if i > 0 {
			assert.Greater(t, f.Arcs, fan[i-1].Arcs)
		}
	}
	assert.Greater(t, fan[12].P90-fan[12].P10, fan[0].P90-fan[0].P10, "further ahead is less sure")
}

func BenchmarkRun1000(b *testing.B) {
	p := model.Prior()
	p.Limit = drift.Some(12.0)
	m := model.NewMachine("K-07", &p)
	plan := forecast.Plan{Paths: 1000, Horizon: forecast.Horizon, AttemptLimit: 4, Seed: 1}
	b.ReportAllocs()
	for b.Loop() {
		forecast.Run(m, plan)
	}
}
