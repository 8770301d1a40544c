package moor

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
)

func wish(seed uint64) blind.Wish {
	return blind.Wish{Seed: seed, Machines: 40, Days: 240, Start: time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)}
}

func after(w blind.Wish, days float64) time.Time {
	return w.Start.Add(time.Duration(days * 24 * float64(time.Hour)))
}

func lives(f *blind.Fleet) (out []*history) {
	for _, m := range f.Machines {
		out = append(out, m.Life.(*history))
	}
	return out
}

func TestSameWishSameFleet(t *testing.T) {
	w := wish(3)
	w.Machines, w.Mess = 12, true
	a, b := World(w), World(w)
	require.Equal(t, a.About, b.About)
	require.Equal(t, a.Lines, b.Lines)
	require.Equal(t, truths(w, a), truths(w, b))
	w.Seed++
	c := World(w)
	require.NotEqual(t, a.About, c.About)
	require.NotEqual(t, len(a.Lines), len(c.Lines))
}

// truths is what can be asked of a fleet, as text.
func truths(w blind.Wish, f *blind.Fleet) (out []string) {
	for _, m := range f.Machines {
		for _, d := range []float64{0, 33.31, 100.5, 199.4} {
			at := after(w, d)
			air := blind.Air{TemperatureC: 5, HumidityPct: 60, AltitudeM: 900, PressureHPa: 905}
			out = append(out, fmt.Sprint(m.Name, m.Model, m.At(at), m.Lived(at, 4000), m.ProbabilityOut(at, air),
				m.Electrodes(at), m.Futures(at, 1000, 5, 1)))
		}
		out = append(out, fmt.Sprint(m.Moves))
	}
	return out
}

func TestTellingLeavesTheFleet(t *testing.T) {
	w := wish(8)
	w.Machines = 12
	plain := World(w)
	want := truths(w, plain)
	for _, change := range []func(*blind.Wish){
		func(w *blind.Wish) { w.Grade = "pass-fail" },
		func(w *blind.Wish) { w.Typing = blind.WholeSession },
		func(w *blind.Wish) { w.Typing = blind.EachAttempt },
		func(w *blind.Wish) { w.Mess = true },
	} {
		other := w
		change(&other)
		f := World(other)
		require.Equal(t, want, truths(w, f))
		require.NotEqual(t, plain.Lines, f.Lines)
		for _, m := range f.Machines {
			if other.Grade != "" {
				assert.Equal(t, other.Grade, m.Grade)
			}
			if other.Typing != blind.AsDrawn {
				assert.Equal(t, other.Typing == blind.WholeSession, m.WholeSessions)
			}
		}
	}
}

// Where nobody stepped in and all ends were good, what the pair would have lived is
// what it lived.
func TestLivedAgreesWithHistory(t *testing.T) {
	const far = 1 << 40
	met, spared := 0, 0
	for seed := uint64(1); seed <= 3; seed++ {
		w := wish(seed)
		for _, h := range lives(World(w)) {
			for day := 3.3; day < 240; day += 11.7 {
				at := after(w, day)
				t0 := h.seconds(at)
				start := h.moments[h.index(t0)].arcs
				lived := h.Lived(at, far)
				burnt := int64(0)
				for _, e := range h.events {
					if e.at <= t0 {
						continue
					}
					if e.service != nil || e.attempt.spoilt {
						require.GreaterOrEqual(t, lived, burnt, "%s on day %.1f", h.m.name, day)
						spared++
						break
					}
					burnt = e.arcs - start
					if e.attempt.failed {
						require.Equal(t, burnt, lived, "%s on day %.1f", h.m.name, day)
						met++
						break
					}
				}
			}
		}
	}
	require.Greater(t, met, 30)
	require.Greater(t, spared, 30)
}

func TestElectrodesAgreesWithHistory(t *testing.T) {
	w := wish(2)
	failed, ends := 0, 0
	for _, h := range lives(World(w)) {
		spoilt := false
		for i, e := range h.events {
			if e.kind != trial {
				continue
			}
			if e.attempt.ordinal == 1 {
				spoilt = false
			}
			spoilt = spoilt || e.attempt.spoilt
			lastInTime := i+1 == len(h.events) || h.events[i+1].kind != trial || h.events[i+1].session != e.session
			if !lastInTime || e.attempt.ordinal > h.m.fleet.limit {
				continue
			}
			electrodes := h.Electrodes(h.m.fleet.moment(e.at))
			if !spoilt {
				require.Equal(t, e.attempt.failed, electrodes)
			}
			if electrodes {
				failed++
			} else if e.attempt.failed {
				ends++
			}
		}
	}
	assert.Positive(t, failed)
	assert.Positive(t, ends)
}

// tries makes n first attempts of new sessions in an air with good ends, each with
// other luck, and returns the share outside.
func tries(h *history, at time.Time, air blind.Air, n int) float64 {
	t0 := h.seconds(at)
	out := 0
	for i := range n {
		w := h.from(t0, otherChance(h.m.seed, uint64(i)*977+5, t0, 0))
		w.open(t0, other, int64(i))
		w.st.air = h.m.airEffect(air)
		if a := w.try(); !a.passed {
			out++
		}
	}
	return float64(out) / float64(n)
}

func TestProbabilityOutIsTheShareOfAttempts(t *testing.T) {
	const n = 6000
	w := wish(1)
	f := World(w)
	law := lives(f)[0].m.fleet
	require.Positive(t, law.sessionShare)
	require.Greater(t, law.tailShare, 0.05)
	require.Greater(t, law.tailWidth, 2.0)
	middling := 0
	for i, h := range lives(f) {
		at := after(w, 60+float64(i)*4.1)
		here := h.At(at).Air
		high := here
		high.PressureHPa *= 0.93
		for _, air := range []blind.Air{here, high} {
			p := h.ProbabilityOut(at, air)
			if p > 0.05 && p < 0.95 {
				middling++
			}
			// Four and a half standard errors of n draws, and a thousandth for rare ones.
			assert.InDelta(t, p, tries(h, at, air, n), 0.001+4.5*math.Sqrt(p*(1-p)/n), "%s", h.m.name)
		}
	}
	assert.Greater(t, middling, 10)
}

// The pair's own fate is one more draw of its futures: its rank among them is even.
func TestFuturesAreCalibrated(t *testing.T) {
	const horizon, n = 6000, 60
	inside, all, sum := 0.0, 0.0, 0.0
	for seed := uint64(21); seed <= 30; seed++ {
		w := wish(seed)
		for i, h := range lives(World(w)) {
			at := after(w, 90+float64(i)*1.37)
			lived := h.Lived(at, horizon)
			draws := h.Futures(at, horizon, n, seed)
			below, same := 0.0, 0.0
			for j, v := range draws {
				if j > 0 {
					require.LessOrEqual(t, draws[j-1], v)
				}
				switch {
				case v < lived:
					below++
				case v == lived:
					same++
				}
			}
			// Equal ones share a rank evenly.
			u := (below + (same+1)*uniform(seed, ofCentre, int64(i), 99)) / (n + 1)
			sum += u
			if u > 0.1 && u < 0.9 {
				inside++
			}
			all++
		}
	}
	// 400 machines: the standard error is 0.02 and 0.0144; four of each.
	assert.InDelta(t, 0.8, inside/all, 0.08)
	assert.InDelta(t, 0.5, sum/all, 0.058)
}

func TestFuturesDifferBySeed(t *testing.T) {
	w := wish(6)
	h := lives(World(w))[0]
	at := after(w, 100)
	assert.Equal(t, h.Futures(at, 6000, 40, 1), h.Futures(at, 6000, 40, 1))
	assert.NotEqual(t, h.Futures(at, 6000, 40, 1), h.Futures(at, 6000, 40, 2))
}

func TestMovesComeBeforeAttempts(t *testing.T) {
	w := wish(7)
	for _, h := range lives(World(w)) {
		for _, m := range h.moves {
			require.Equal(t, m.Air, h.At(m.At).Air)
			t0 := h.seconds(m.At)
			i := h.index(t0)
			require.False(t, h.moments[i].open, "nobody calibrates while on the move")
		}
		for i := 1; i < len(h.moments); i++ {
			require.GreaterOrEqual(t, h.moments[i].t, h.moments[i-1].t)
		}
	}
}
