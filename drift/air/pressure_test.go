package air_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/air"
)

func TestPressureAt(t *testing.T) {
	// Computed independently from the formula of the US Standard Atmosphere
	// 1976; 1000 to 5000 m agree with its printed tables as remembered.
	for _, c := range []struct{ altitudeM, pressureHPa float64 }{
		{-400, 1062.2374},
		{0, 1013.25},
		{500, 954.6129},
		{1000, 898.7629},
		{1500, 845.5968},
		{2000, 795.0142},
		{2500, 746.9176},
		{3000, 701.2116},
		{4000, 616.6044},
		{5000, 540.4829},
		{6000, 472.1764},
	} {
		assert.InDelta(t, c.pressureHPa, air.PressureAt(c.altitudeM), 5e-5, "%v m", c.altitudeM)
		// 5e-5 hPa is less than a millimetre of air at any of these heights.
		assert.InDelta(t, c.altitudeM, air.AltitudeAt(c.pressureHPa), 1e-3, "%v hPa", c.pressureHPa)
	}
}

func TestPressureAtAgainstHandbook(t *testing.T) {
	// ASHRAE Handbook Fundamentals 2017, chapter 1, table 1, in kPa. Its
	// formula takes the altitude as geopotential, which at 3000 m is 0.018 %
	// off; the last printed place adds up to 0.0007 %.
	for _, c := range []struct{ altitudeM, pressureKPa float64 }{
		{-500, 107.478},
		{0, 101.325},
		{500, 95.461},
		{1000, 89.875},
		{1500, 84.556},
		{2000, 79.495},
		{2500, 74.682},
		{3000, 70.108},
	} {
		assert.InEpsilon(t, 10*c.pressureKPa, air.PressureAt(c.altitudeM), 2e-4, "%v m", c.altitudeM)
	}
}

func TestPressureAndAltitudeInvertEachOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		altitude := rapid.Float64Range(-430, 6000).Draw(t, "altitude")
		climb := rapid.Float64Range(0.001, 1000).Draw(t, "climb")
		pressure := air.PressureAt(altitude)
		// One bit of the pressure is 1e-9 m of air.
		assert.InDelta(t, altitude, air.AltitudeAt(pressure), 1e-7)
		assert.Less(t, air.PressureAt(altitude+climb), pressure)
	})
}
