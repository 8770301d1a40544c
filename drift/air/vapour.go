package air

import "math"

// Saturation vapour pressure in the form of Magnus, atZero·exp(a·t/(b + t)) hPa
// with t in °C. Guide to Instruments and Methods of Observation, WMO-No. 8,
// annex 4.B: over water from -45 to 60 °C, over ice from -65 to 0 °C.
const (
	atZero = 6.112

	waterA, waterB = 17.62, 243.12
	iceA, iceB     = 22.46, 272.62
)

func magnus(temperatureC, a, b float64) float64 {
	return atZero * math.Exp(a*temperatureC/(b+temperatureC))
}

// magnusInverse is written so that no vapour at all gives the formula's limit,
// -b, rather than not a number.
func magnusInverse(vapourHPa, a, b float64) float64 {
	return b / (a/math.Log(vapourHPa/atZero) - 1)
}

// SaturationOverWater returns the vapour pressure in hPa at which air is
// saturated over (below 0 °C: supercooled) water. WMO-No. 8, annex 4.B.
func SaturationOverWater(temperatureC float64) float64 {
	return magnus(temperatureC, waterA, waterB)
}

// SaturationOverIce returns the vapour pressure in hPa at which air is
// saturated over ice, for temperatures up to 0 °C. WMO-No. 8, annex 4.B.
func SaturationOverIce(temperatureC float64) float64 {
	return magnus(temperatureC, iceA, iceB)
}

// VapourPressure returns the partial pressure of water vapour in hPa. Relative
// humidity is over water at every temperature: WMO-No. 8, annex 4.A.
func VapourPressure(temperatureC, humidityPct float64) float64 {
	return humidityPct / 100 * SaturationOverWater(temperatureC)
}

// DewPoint returns the temperature in °C at which the air's vapour would
// saturate over water: SaturationOverWater inverted.
func DewPoint(temperatureC, humidityPct float64) float64 {
	return magnusInverse(VapourPressure(temperatureC, humidityPct), waterA, waterB)
}

// FrostPoint returns the temperature in °C at which the air's vapour would
// saturate over ice: SaturationOverIce inverted. It has a meaning only where it
// comes out at or below 0 °C, and is then at or above the dew point.
func FrostPoint(temperatureC, humidityPct float64) float64 {
	return magnusInverse(VapourPressure(temperatureC, humidityPct), iceA, iceB)
}

// AbsoluteHumidity returns the mass of water vapour in the air in g/m³: the
// ideal gas law e/(Rv·T) with Rv = 461.5 J/(kg·K), the constant IEC 60060-1
// uses too.
func AbsoluteHumidity(temperatureC, humidityPct float64) float64 {
	const gasConstant = 0.4615 // J/(g·K)
	const pascals = 100        // per hPa
	return pascals * VapourPressure(temperatureC, humidityPct) / (gasConstant * (zeroC + temperatureC))
}
