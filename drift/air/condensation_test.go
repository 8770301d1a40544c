package air_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/air"
)

func TestWarmUpToTheDewPoint(t *testing.T) {
	// Computed: τ·ln((air - machine)/(air - dew point)), in units of τ.
	for _, c := range []struct{ airC, humidityPct, taus float64 }{
		{22, 50, 0.91},
		{25, 70, 1.63},
		{30, 80, 2.21},
	} {
		const tau = 30
		got := air.WarmUp(-5, air.DewPoint(c.airC, c.humidityPct), c.airC, tau)
		assert.InDelta(t, c.taus, got/tau, 0.005)
	}
}

func TestCondensation(t *testing.T) {
	const tau = 30
	for name, c := range map[string]struct {
		airC, humidityPct, machineC float64
		pointC, dryC, wait          float64
	}{
		// Dew points as in TestDewPoint; the margin is 2 °C here, and the wait
		// is τ·ln(27/(22 - 13.0946)).
		"cold machine, warm room": {22, 50, -5, 11.0946, 13.0946, 33.2758},
		"just warm enough":        {22, 50, 13.1, 11.0946, 13.0946, 0},
		"warmer than the air":     {22, 50, 40, 11.0946, 13.0946, 0},
		// 5 - 4.2650 leaves 0.735 °C: half of it is the margin.
		"damp air": {5, 95, -5, 4.2650, 4.6325, 30 * math.Log(10/0.3675)},
		// Below freezing the frost point counts: -7.0141 °C (by bisection), not
		// the dew point of -7.9174 °C.
		"winter": {-5, 80, -15, -7.0141, -6.0071, 30 * math.Log(10/1.0071)},
	} {
		t.Run(name, func(t *testing.T) {
			got := air.CondensationIn(c.airC, c.humidityPct)
			assert.InDelta(t, c.pointC, got.PointC, 1e-4)
			assert.InDelta(t, c.dryC, got.DryC, 1e-4)
			assert.False(t, got.Saturated)
			assert.Equal(t, c.wait > 0, got.Wets(c.machineC))
			// 1e-4 °C of at least 0.37 °C left to go is 0.008 minutes.
			assert.InDelta(t, c.wait, got.Wait(c.machineC, tau), 0.01)
		})
	}
}

func TestSaturatedAirHasNoEnd(t *testing.T) {
	for _, c := range []struct{ airC, humidityPct float64 }{
		{20, 100},
		{20, 98},
		// Ice saturates at 95 % over water here: the frost point is above the
		// air.
		{-5, 97},
	} {
		got := air.CondensationIn(c.airC, c.humidityPct)
		assert.True(t, got.Saturated)
		assert.True(t, math.IsInf(got.Wait(c.airC-10, 30), 1))
		assert.Zero(t, got.Wait(c.airC+5, 30), "a warm machine stays dry")
	}
}

func TestCondensationKeepsItsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAir(t)
		machine := rapid.Float64Range(-40, 80).Draw(t, "machine")
		tau := rapid.Float64Range(1, 120).Draw(t, "tau")
		c := air.CondensationIn(a.temperatureC, a.humidityPct)

		wait := c.Wait(machine, tau)
		assert.Equal(t, c.Wets(machine), wait > 0)
		assert.Equal(t, c.Wets(machine) && c.Saturated, math.IsInf(wait, 1))
		if c.Saturated {
			return
		}
		assert.LessOrEqual(t, c.PointC, c.DryC)
		assert.Less(t, c.DryC, a.temperatureC)
		assert.LessOrEqual(t, c.DryC-c.PointC, 2+1e-12)
		assert.LessOrEqual(t, c.Wait(machine+1, tau), wait, "a warmer machine waits no longer")

		// Having waited, it is dry.
		reached := a.temperatureC - (a.temperatureC-machine)*math.Exp(-wait/tau)
		assert.GreaterOrEqual(t, reached, c.DryC-1e-9)
	})
}
