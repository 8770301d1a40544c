package air_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/air"
)

// drawnAir is air within the bounds a record may carry.
type drawnAir struct{ temperatureC, humidityPct, pressureHPa float64 }

func drawAir(t *rapid.T) drawnAir {
	return drawnAir{
		temperatureC: rapid.Float64Range(-40, 60).Draw(t, "temperature"),
		humidityPct:  rapid.Float64Range(0, 100).Draw(t, "humidity"),
		pressureHPa:  rapid.Float64Range(400, 1100).Draw(t, "pressure"),
	}
}

// The formulas of IEC 60060-1:2010, clause 4.3, with h given in g/m³; the
// results are computed from the published formulas, not printed in it.
func TestDensityAndHumidityExcess(t *testing.T) {
	for _, c := range []struct{ pressureHPa, temperatureC, h, density, scaled float64 }{
		{1013, 20, 11, 1, 11},
		{795, 10, 5, 0.812529, 6.15363},
		{700, 0, 3, 0.741641, 4.04509},
		{1000, 25, 13, 0.970604, 13.39373},
		{900, 30, 14, 0.859128, 16.29559},
	} {
		assert.InDelta(t, c.density, air.RelativeDensity(c.temperatureC, c.pressureHPa), 5e-7)

		// Absolute humidity is proportional to relative humidity, which gives
		// the percentage that makes h.
		humidityPct := 100 * c.h / air.AbsoluteHumidity(c.temperatureC, 100)
		assert.InDelta(t, c.scaled-11, air.HumidityExcess(c.temperatureC, humidityPct, c.pressureHPa), 5e-6)
	}
}

func TestTermsOfReferenceAirAreZero(t *testing.T) {
	humidityPct := 100 * air.ReferenceAbsoluteHumidity / air.AbsoluteHumidity(air.ReferenceTemperatureC, 100)
	terms := air.TermsOf(air.ReferenceTemperatureC, humidityPct, air.ReferencePressureHPa)
	assert.Zero(t, terms.LnDensity)
	assert.InDelta(t, 0, terms.HumidityExcess, 1e-12)
	assert.Equal(t, air.ReferenceTemperatureC, terms.TemperatureC)
	// 63.5 % is 10.948 g/m³ (computed), 0.5 % short of the reference.
	assert.InDelta(t, 63.5, humidityPct, 0.5)
}

// The density of dry air by the full equation of state: δ uses the ideal gas
// and rounds absolute zero, which together stay below 0.2 % in the bounds of a
// record (the compressibility of air varies by 0.1 % there).
func TestRelativeDensityAgainstEquationOfState(t *testing.T) {
	reference := cipm2007(air.ReferenceTemperatureC, 0, 100*air.ReferencePressureHPa)
	rapid.Check(t, func(t *rapid.T) {
		a := drawAir(t)
		want := cipm2007(a.temperatureC, 0, 100*a.pressureHPa) / reference
		assert.InEpsilon(t, want, air.RelativeDensity(a.temperatureC, a.pressureHPa), 2e-3)
	})
}

func TestTermsMoveAsTheAirDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawAir(t)
		here := air.TermsOf(a.temperatureC, a.humidityPct, a.pressureHPa)
		warmer := air.TermsOf(a.temperatureC+1, a.humidityPct, a.pressureHPa)
		higher := air.TermsOf(a.temperatureC, a.humidityPct, a.pressureHPa-10)
		damper := air.TermsOf(a.temperatureC, a.humidityPct+1, a.pressureHPa)

		assert.Less(t, warmer.LnDensity, here.LnDensity)
		assert.Less(t, higher.LnDensity, here.LnDensity)
		assert.Equal(t, here.LnDensity, damper.LnDensity, "humidity must count once")
		assert.Greater(t, damper.HumidityExcess, here.HumidityExcess)
		assert.GreaterOrEqual(t, here.HumidityExcess, -air.ReferenceAbsoluteHumidity)
	})
}

// cipm2007 is the density of moist air in kg/m³ at t °C, relative humidity in
// percent and p Pa, with 400 ppm of carbon dioxide. Picard, Davis, Gläser and
// Fujii (2008), Metrologia 45, 149, appendix A. Their stated range is 600 to
// 1100 hPa and 15 to 27 °C; it is used here outside it as well.
func cipm2007(t, humidityPct, p float64) float64 {
	const dryMolar, vapourMolar, gasConstant = 28.96546e-3, 18.01528e-3, 8.314472
	kelvin := t + 273.15
	saturation := math.Exp(1.2378847e-5*kelvin*kelvin - 1.9121316e-2*kelvin + 33.93711047 - 6.3431645e3/kelvin)
	enhancement := 1.00062 + 3.14e-8*p + 5.6e-7*t*t
	xv := humidityPct / 100 * enhancement * saturation / p
	z := 1 - p/kelvin*(1.58123e-6-2.9331e-8*t+1.1043e-10*t*t+
		(5.707e-6-2.051e-8*t)*xv+(1.9898e-4-2.376e-6*t)*xv*xv) +
		p*p/(kelvin*kelvin)*(1.83e-11-0.765e-8*xv*xv)
	return p * dryMolar / (z * gasConstant * kelvin) * (1 - xv*(1-vapourMolar/dryMolar))
}

// The yardstick is checked too, or it would prove nothing.
func TestEquationOfState(t *testing.T) {
	const mmHg = 133.322387415 // Pa
	for _, c := range []struct{ t, humidityPct, p, density, within float64 }{
		// Mass metrology table quoted, with its page, in the tests of the R
		// package masscor; within the places it prints.
		{10, 40, 730 * mmHg, 1.19569, 6e-6},
		{40, 40, 760 * mmHg, 1.1150, 5e-5},
		// Older NIST air buoyancy examples, by the formula of Jones (1978),
		// quoted in the same tests. The two formulas differ by 5e-5.
		{22.3, 37, 748.1 * mmHg, 1.17194, 7e-5},
		{23.4, 23, 612.3 * mmHg, 0.95632, 7e-5},
		// Computed independently from the published formula.
		{20, 50, 101325, 1.1993139, 5e-8},
		{20, 0, 101325, 1.2045573, 5e-8},
		{-5, 70, 85000, 1.1034559, 5e-8},
		{35, 90, 101325, 1.1242206, 5e-8},
	} {
		assert.InDelta(t, c.density, cipm2007(c.t, c.humidityPct, c.p), c.within)
	}
}
