package web

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

func TestNoRecordHasNoAge(t *testing.T) {
	assert.False(t, ageOf(drift.Opt[time.Time]{}, noon).Known, "never is not an age")
}

func TestNumbers(t *testing.T) {
	assert.Equal(t, "+4.1\u00a0%", pct(some(4.1)))
	assert.Equal(t, "\u22120.6\u00a0%", pct(some(-0.6)))
	assert.Equal(t, "0.0\u00a0%", pct(some(-0.01)), "no minus before a nought")
	assert.Equal(t, phrase.Unknown, pct(drift.Opt[float64]{}))
}

func TestArcsLeftSaysTheSafeEnd(t *testing.T) {
	a := advise.Assessment{Electrode: advise.Electrode{HorizonArcs: 6000, ToFailure: &advise.Quantiles{P10: 220, P50: 610, P90: 1240}}}
	assert.Equal(t, "between 220 and 1,240; plan on 220", arcsLeft(&a))
	a.Electrode.ToFailure = &advise.Quantiles{P10: 2200, P50: 6000, P90: 6000}
	assert.Equal(t, "between 2,200 and more than 6,000; plan on 2,200", arcsLeft(&a))
	a.Electrode.ToFailure = &advise.Quantiles{P10: 6000, P50: 6000, P90: 6000}
	assert.Equal(t, "more than 6,000", arcsLeft(&a))
	a.Electrode.ToFailure = nil
	assert.Equal(t, phrase.Unknown, arcsLeft(&a))
}

func TestEveryStateAndActionHasItsSentence(t *testing.T) {
	words := map[string]bool{}
	for _, state := range advise.States() {
		for _, action := range []advise.Action{advise.None, advise.Inspect, advise.Clean, advise.Replace} {
			a := advise.Assessment{State: state, Electrode: advise.Electrode{Action: action, ActBy: some("2026-03-05")}}
			next := a.NextStep(noon)
			assert.Regexp(t, `^[A-Z].*\.$`, next)
			words[next] = true
			if action != advise.None {
				assert.Contains(t, next, "electrodes by Thu 5 Mar")
				assert.True(t, a.RequiresOpening())
			}
		}
	}
	assert.Len(t, words, 5+3*3, "five states without work, three works alone, with a stop, and with a search")
	due := advise.Assessment{State: advise.ServiceSoon, Electrode: advise.Electrode{Action: advise.Clean, ActBy: some("2026-03-02")}}
	assert.Equal(t, "Clean the electrodes by Mon 2 Mar.", due.NextStep(noon), "the day itself is not over")
	assert.Equal(t, "Clean the electrodes now (it was due by Mon 2 Mar).", due.NextStep(noon.Add(12*time.Hour)))
	ends := advise.Assessment{State: advise.CheckFirst, Electrode: advise.Electrode{Action: advise.Inspect, ActBy: some("2026-03-05")}}
	ends.Streak.Attempts, ends.Streak.Cause = 3, []advise.Cause{{Cause: advise.CauseEnds, Probability: 0.9}}
	assert.Equal(t, "Try another cleaver. If that fails too, inspect the electrodes by Thu 5 Mar.", ends.NextStep(noon))
	ends.Electrode = advise.Electrode{Action: advise.None}
	assert.Equal(t, "Try another cleaver, then calibrate again.", ends.NextStep(noon))
}

func TestNiceTicks(t *testing.T) {
	assert.Equal(t, []float64{0, 5, 10}, niceTicks(-1.2, 12.8, 3))
	assert.Equal(t, []float64{0, 500, 1000, 1500, 2000}, niceTicks(0, 2100, 6))
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e4, 1e4).Draw(t, "low")
		high := low + rapid.Float64Range(1e-3, 1e6).Draw(t, "span")
		n := rapid.IntRange(2, 12).Draw(t, "n")
		ticks := niceTicks(low, high, n)
		assert.LessOrEqual(t, len(ticks), n+1)
		for _, v := range ticks {
			assert.True(t, v >= low-1e-9 && v <= high+1e-9)
		}
	})
}

// Every place of a drawing lies inside it, whatever the trace holds.
func TestChartStaysInside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-200, 200)
		n := rapid.IntRange(1, 40).Draw(t, "n")
		var trace advise.Trace
		arcs := int64(0)
		for i := range n {
			arcs += rapid.Int64Range(0, 500).Draw(t, "arcs")
			p := advise.Point{Time: noon.Add(time.Duration(i) * time.Hour), Arcs: arcs, Level: value.Draw(t, "level"), SD: rapid.Float64Range(0, 50).Draw(t, "sd"), Passed: rapid.Bool().Draw(t, "passed")}
			if rapid.Bool().Draw(t, "known") {
				p.Reference = some(value.Draw(t, "reference"))
			}
			if rapid.Bool().Draw(t, "odd") {
				p.Level = math.NaN()
			}
			trace.Points = append(trace.Points, p)
			trace.Fan = append(trace.Fan, advise.FanPoint{Arcs: arcs + 100, P10: value.Draw(t, "p10"), P50: value.Draw(t, "p50"), P90: value.Draw(t, "p90")})
		}
		if rapid.Bool().Draw(t, "limited") {
			trace.Limit = some(rapid.Float64Range(0.1, 60).Draw(t, "limit"))
		}
		for _, byDate := range []bool{false, true} {
			c := drawPower(trace, chartView{machine: "K-07", byDate: byDate}, "wide", 960, 420)
			for _, d := range c.Dots {
				assert.NotContains(t, d.Path, "NaN")
			}
			for _, list := range [][]tick{c.X, c.Y, c.Limits} {
				for _, tk := range list {
					assert.True(t, tk.At >= 0 && tk.At <= 960, "%v", tk)
				}
			}
			for _, path := range append(append(append(c.Band, c.Level...), c.Fan...), c.FanMid...) {
				assert.NotContains(t, path, "NaN")
				assert.NotContains(t, path, "Inf")
			}
		}
	})
}

func TestGapsAreGaps(t *testing.T) {
	var points []advise.Point
	for _, day := range []int{0, 1, 2, 3, 30, 31, 32} {
		points = append(points, advise.Point{Time: noon.AddDate(0, 0, day), Level: 1, SD: 1})
	}
	byDate := func(p advise.Point) float64 { return stamp(p.Time) }
	got := runs(points, byDate)
	if assert.Len(t, got, 2) {
		assert.Len(t, got[0], 4)
	}
	points[5].Pair, points[6].Pair = 1, 1
	assert.Len(t, runs(points, byDate), 3, "a new pair begins a new line")
}

func TestDownsamplingKeepsEndsAndFails(t *testing.T) {
	points := make([]advise.Point, 5000)
	for i := range points {
		points[i] = advise.Point{Arcs: int64(i), Passed: i%1000 != 7}
	}
	kept := downsample(points, 600)
	assert.LessOrEqual(t, len(kept), 700)
	assert.Equal(t, int64(4999), kept[len(kept)-1].Arcs)
	fails := 0
	for _, p := range kept {
		if !p.Passed {
			fails++
		}
	}
	assert.Equal(t, 5, fails)
}
