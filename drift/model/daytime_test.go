package model

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/air"
)

// Warmed air is what the physics makes of the same air at a higher temperature: equal
// pressure, equal vapour.
func TestWarmerAirIsThatOfThePhysics(t *testing.T) {
	t.Parallel()
	const cold, by, pressure = 6.0, 8.0, 850.0
	was := Regressors(cold, 80, pressure, cold)
	humid := 80 * air.AbsoluteHumidity(cold, 100) / air.AbsoluteHumidity(cold+by, 100) * (273.15 + cold) / (273.15 + cold + by)
	want := Regressors(cold+by, humid, pressure, cold+by)
	got := Warmer(was, by)
	for i := range want {
		assert.InDelta(t, want[i], got[i], 0.01, "term %d", i)
	}
	assert.Equal(t, was, Warmer(was, 0))
}

// Readings at the day's beginning and eight hours later tell the amplitude, in any time
// zone; those of mornings only, or of other places, tell nothing.
func TestTheWarmthOfTheDayIsLearnt(t *testing.T) {
	t.Parallel()
	const amplitude = 5.5
	for _, begin := range []float64{7, 1, 22} {
		start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).Add(time.Duration(begin * float64(time.Hour)))
		reading := func(at time.Time, phase float64) Event {
			temperature := 8 + 2*math.Sin(at.Sub(start).Hours()/50) + amplitude*phase
			return Event{Kind: Attempt, NewSession: true, Time: at, Air: Regressors(temperature, 70, 1000, temperature)}
		}
		var both, firsts []Event
		for d := range 40 {
			at := start.AddDate(0, 0, d)
			firsts = append(firsts, reading(at, -0.5))
			both = append(both, reading(at, -0.5), reading(at.Add(8*time.Hour), 1))
		}
		here := func(time.Time) string { return "yard" }
		learnt := LearnDaytime(both, time.UTC, here)
		assert.InDelta(t, amplitude, learnt.Amplitude, 0.3, "begin %g", begin)
		assert.Less(t, learnt.SD, 0.5)
		assert.InDelta(t, 0, math.Mod(learnt.Begin-begin+36, 24)-12, 0.7, "begin %g", begin)
		assert.InDelta(t, usualWarmth, LearnDaytime(firsts, time.UTC, here).Amplitude, 1e-9)
		assert.InDelta(t, usualWarmth, LearnDaytime(both, time.UTC, func(at time.Time) string { return at.String() }).Amplitude, 1e-9)
	}
	none := LearnDaytime(nil, time.UTC, func(time.Time) string { return "" })
	assert.InDelta(t, usualBegin, none.Begin, 1e-9)
	assert.InDelta(t, usualWarmth, none.Amplitude, 1e-9)
}

// The mean over working hours is that of many moments, and the middle's where none are.
func TestThePhaseOfWork(t *testing.T) {
	t.Parallel()
	d := LearnDaytime(nil, time.UTC, func(time.Time) string { return "" })
	at := func(hours float64) time.Time {
		return time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC).Add(time.Duration(hours * float64(time.Hour)))
	}
	sum := 0.0
	for i := range 1000 {
		sum += d.Phase(at(7+12*(float64(i)+0.5)/1000)) / 1000
	}
	assert.InDelta(t, sum, d.WorkPhase(at(7), at(24)), 0.01)
	assert.InDelta(t, -1, d.WorkPhase(at(2), at(4)), 0.03)
	assert.InDelta(t, d.Phase(at(12)), d.WorkPhase(at(12), at(12)), 1e-12)
	assert.InDelta(t, 13, d.Hours(0, 24), 1e-12)
	d.Begin = 22
	assert.InDelta(t, 13, d.Hours(0, 24), 1e-12, "over midnight")
	assert.InDelta(t, 10, d.Hours(0, 12), 1e-12)
}
