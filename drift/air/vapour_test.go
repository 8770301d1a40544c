package air_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/air"
)

func TestSaturationOverWater(t *testing.T) {
	// Computed from the formula of WMO-No. 8, to the places shown.
	for _, c := range []struct{ temperatureC, saturationHPa float64 }{
		{-20, 1.25965},
		{-5, 4.22185},
		{0, 6.11200},
		{5, 8.71743},
		{20, 23.32596},
		{25, 31.60057},
		{40, 73.67458},
		{50, 123.45158},
	} {
		assert.InDelta(t, c.saturationHPa, air.SaturationOverWater(c.temperatureC), 6e-6)
	}
}

func TestSaturationAgainstHandbook(t *testing.T) {
	// ASHRAE Handbook Fundamentals 2017, chapter 1, table 3, in Pa: over water
	// above freezing, over ice below. The Magnus form over water is lower than
	// the handbook's by 0.05 to 0.3 % there; over ice it is within 0.03 %.
	for _, c := range []struct{ temperatureC, saturationPa, within float64 }{
		{5, 872.6, 1.1e-3},
		{25, 3169.7, 3.1e-3},
		{50, 12351.3, 6e-4},
	} {
		assert.InEpsilon(t, c.saturationPa, 100*air.SaturationOverWater(c.temperatureC), c.within)
	}
	for _, c := range []struct{ temperatureC, saturationPa float64 }{
		{-20, 103.24},
		{-5, 401.74},
	} {
		assert.InEpsilon(t, c.saturationPa, 100*air.SaturationOverIce(c.temperatureC), 3e-4)
	}
}

func TestDewPoint(t *testing.T) {
	// Computed by inverting the formula of WMO-No. 8.
	for _, c := range []struct{ temperatureC, humidityPct, dewPointC float64 }{
		{22, 50, 11.0946},
		{25, 70, 19.1451},
		{30, 80, 26.1688},
		{20, 50, 9.2552},
		{-5, 80, -7.9174},
		{5, 95, 4.2650},
	} {
		assert.InDelta(t, c.dewPointC, air.DewPoint(c.temperatureC, c.humidityPct), 6e-5)
	}
}

func TestAbsoluteHumidity(t *testing.T) {
	for _, c := range []struct{ temperatureC, humidityPct, gramsPerM3 float64 }{
		{20, 63.5, 10.94819},
		{20, 50, 8.62062},
		{30, 80, 24.20883},
		{-5, 70, 2.38804},
		{35, 90, 35.52074},
		{10, 60, 5.62930},
	} {
		// Computed with the gas constant rounded to 216.68 K·g/(m³·hPa), which
		// is 2.2e-5 below 100/0.4615.
		assert.InEpsilon(t, c.gramsPerM3, air.AbsoluteHumidity(c.temperatureC, c.humidityPct), 3e-5)
	}
}

// IEC 60060-1:2010, clause 4.3.2.2, gives h in a Magnus form of its own. It and
// the one of WMO-No. 8 part by 0.22 % at -40 °C and 0.25 % at 60 °C.
func TestAbsoluteHumidityAgainstStandard(t *testing.T) {
	standard := func(t, humidityPct float64) float64 {
		return 6.11 * humidityPct * math.Exp(17.6*t/(243+t)) / (0.4615 * (273 + t))
	}
	// The yardstick itself, computed apart from this code.
	assert.InDelta(t, 10.94049, standard(20, 63.5), 5e-6)
	assert.InDelta(t, 24.18082, standard(30, 80), 5e-6)
	assert.InDelta(t, 2.38920, standard(-5, 70), 5e-6)
	rapid.Check(t, func(t *rapid.T) {
		a := drawAir(t)
		h := standard(a.temperatureC, a.humidityPct)
		assert.InDelta(t, h, air.AbsoluteHumidity(a.temperatureC, a.humidityPct), 0.0025*h)
	})
}

func TestDewAndFrostPointInvertSaturation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		temperature := rapid.Float64Range(-40, 60).Draw(t, "temperature")
		humidity := rapid.Float64Range(0.1, 100).Draw(t, "humidity")
		vapour := air.VapourPressure(temperature, humidity)
		dew := air.DewPoint(temperature, humidity)
		frost := air.FrostPoint(temperature, humidity)

		// Rounding only: the exponent is at most 20 and one bit of it moves
		// the pressure by 4e-15 of itself.
		assert.InEpsilon(t, vapour, air.SaturationOverWater(dew), 1e-12)
		assert.InEpsilon(t, vapour, air.SaturationOverIce(frost), 1e-12)
		assert.LessOrEqual(t, dew, temperature+1e-12, "dew point above the air")
		assert.LessOrEqual(t, dew, air.DewPoint(temperature, humidity+0.1))
		if dew < 0 {
			assert.GreaterOrEqual(t, frost, dew, "ice saturates first")
			assert.Less(t, frost, 0.0)
		}
	})
}

func TestAirWithoutVapourHasNumbers(t *testing.T) {
	// A hygrometer that rounds to whole percent can show 0.
	assert.Equal(t, -243.12, air.DewPoint(20, 0))
	assert.Equal(t, -272.62, air.FrostPoint(20, 0))
	assert.Zero(t, air.AbsoluteHumidity(20, 0))
}
