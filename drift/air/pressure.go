package air

import "math"

// The lowest layer of the US Standard Atmosphere 1976, tables 2 to 4 (the same
// as ISO 2533:1975 there).
const (
	seaLevelHPa  = 1013.25
	seaLevelK    = 288.15
	lapseKPerM   = 0.0065
	earthRadiusM = 6356766.0
	// g0·M/(R*·L): gravity in m/s², molar mass in kg/mol, the gas constant of
	// 1976 in J/(mol·K), the lapse rate in K/m.
	pressureExponent = 9.80665 * 0.0289644 / (8.31432 * lapseKPerM)
)

// PressureAt returns the pressure in hPa of the standard atmosphere at a
// geometric altitude in metres below 11 km. US Standard Atmosphere 1976,
// equations 18 and 33a.
func PressureAt(altitudeM float64) float64 {
	geopotential := earthRadiusM * altitudeM / (earthRadiusM + altitudeM)
	return seaLevelHPa * math.Pow(1-lapseKPerM*geopotential/seaLevelK, pressureExponent)
}

// oddHPa is how far pressure and altitude may disagree. Weather alone moves station
// pressure by about 20 hPa either way, and a telephone's altitude may be off by 50 m,
// which is 6 hPa: common practice, no source. It is twice the weather.
const oddHPa = 40

// Disagree says whether a station pressure in hPa and an altitude in metres cannot
// both be right: most often the pressure is one reduced to sea level.
func Disagree(pressureHPa, altitudeM float64) bool {
	return math.Abs(pressureHPa-PressureAt(altitudeM)) > oddHPa
}

// AltitudeAt returns the geometric altitude in metres at which the standard
// atmosphere has a pressure in hPa: the inverse of PressureAt.
func AltitudeAt(pressureHPa float64) float64 {
	geopotential := seaLevelK / lapseKPerM *
		(1 - math.Pow(pressureHPa/seaLevelHPa, 1/pressureExponent))
	return earthRadiusM * geopotential / (earthRadiusM - geopotential)
}
