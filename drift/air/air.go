// Package air has the physics of the air around an arc: pressure at an altitude, water
// vapour, relative density, and condensation on a cold machine.
//
// Every function is pure and takes plain numbers: temperatures in degrees
// Celsius, humidities in percent relative to water (as hygrometers show them,
// below freezing too), station pressures in hectopascals (not reduced to sea
// level), altitudes in geometric metres. Inputs are expected within the bounds
// of a record, -40 to 60 °C, 0 to 100 %, 400 to 1100 hPa and -430 to 6000 m,
// which are checked where records come in. Outside them the formulas continue
// without an error.
package air

import "math"

// The reference atmosphere of IEC 60060-1:2010, clause 4.3.1.
const (
	ReferenceTemperatureC     = 20.0
	ReferencePressureHPa      = 1013.0
	ReferenceAbsoluteHumidity = 11.0 // g/m³
)

// zeroC is 0 °C in kelvin.
const zeroC = 273.15

// Terms are the quantities of the air on which required power depends: the regressors of
// the drift model. All but the temperature are zero in reference air.
type Terms struct {
	LnDensity      float64 // ln of the relative density of dry air
	HumidityExcess float64 // g/m³ above the reference, see HumidityExcess
	TemperatureC   float64 // °C
}

// TermsOf returns the terms of air at a temperature, humidity and station
// pressure.
func TermsOf(temperatureC, humidityPct, pressureHPa float64) Terms {
	return Terms{
		LnDensity:      math.Log(RelativeDensity(temperatureC, pressureHPa)),
		HumidityExcess: HumidityExcess(temperatureC, humidityPct, pressureHPa),
		TemperatureC:   temperatureC,
	}
}

// RelativeDensity returns δ, the density of dry air over that of the reference
// atmosphere. IEC 60060-1:2010, clause 4.3.2.1. Vapour is left out, so that
// humidity counts once, in HumidityExcess.
func RelativeDensity(temperatureC, pressureHPa float64) float64 {
	// The standard rounds absolute zero to -273 °C.
	return pressureHPa / ReferencePressureHPa *
		(273 + ReferenceTemperatureC) / (273 + temperatureC)
}

// HumidityExcess returns h/δ - 11 in g/m³: by how much the absolute humidity,
// scaled to the reference density, exceeds that of the reference atmosphere.
// It is the argument of the humidity correction of IEC 60060-1:2010, clause
// 4.3.2.2.
func HumidityExcess(temperatureC, humidityPct, pressureHPa float64) float64 {
	h := AbsoluteHumidity(temperatureC, humidityPct)
	return h/RelativeDensity(temperatureC, pressureHPa) - ReferenceAbsoluteHumidity
}
