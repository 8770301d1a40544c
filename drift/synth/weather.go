package synth

import (
	"math"
	"time"

	"arcdrift/drift/air"
)

// Air is the air around a machine.
type Air struct {
	// TemperatureC °C, HumidityPct %, PressureHPa station pressure, AltitudeM
	// metres.
	TemperatureC, HumidityPct, PressureHPa, AltitudeM float64
}

// weather is how far today's air is from the climate: °C, %, hPa at sea level.
type weather struct{ temperature, humidity, pressure float64 }

// Day-to-day memory and spread of the weather: invented, of a size met in
// northern Europe.
const (
	weatherMemory = 0.75
	temperatureSD = 3.5
	humiditySD    = 9.0
	pressureSD    = 9.0
)

// dawn brings the next day's weather, a first-order autoregression that keeps
// its spread.
func (w *weather) dawn(s *stream) {
	fresh := math.Sqrt(1 - weatherMemory*weatherMemory)
	w.temperature = weatherMemory*w.temperature + fresh*temperatureSD*s.normal()
	w.humidity = weatherMemory*w.humidity + fresh*humiditySD*s.normal()
	w.pressure = weatherMemory*w.pressure + fresh*pressureSD*s.normal()
}

// at is the air at a site at a time; the year is warmest in mid-July, the day at
// 15 h of the time's own zone.
func (w *weather) at(site *Site, t time.Time) Air {
	year := 2 * math.Pi * float64(t.YearDay()-196) / 365.25
	hours := float64(t.Hour()) + float64(t.Minute())/60
	swing := site.DayC * math.Cos(2*math.Pi*(hours-15)/24)
	p := air.PressureAt(site.AltitudeM)
	return Air{
		TemperatureC: clamp(site.MeanC+site.SeasonC*math.Cos(year)+swing+w.temperature, -38, 55),
		HumidityPct:  clamp(site.HumidityPct+w.humidity-2.5*swing, 12, 98),
		PressureHPa:  p * (1 + w.pressure/air.ReferencePressureHPa),
		AltitudeM:    site.AltitudeM,
	}
}

// terms are the regressors of drift/air.
func (a Air) terms() air.Terms { return air.TermsOf(a.TemperatureC, a.HumidityPct, a.PressureHPa) }

func clamp(x, low, high float64) float64 { return min(max(x, low), high) }

// round to a step, without leaving digits behind that the step does not have.
func round(x, perUnit float64) float64 { return math.Round(x*perUnit) / perUnit }
