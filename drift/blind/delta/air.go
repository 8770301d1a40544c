package delta

import (
	"math"

	"arcdrift/drift/blind"
)

// The reference atmosphere of IEC 60060-1.
const (
	refTemperature = 20.0
	refPressure    = 1013.0
	refVapour      = 11.0 // g/m³
)

// standardPressure is station pressure in hPa at an altitude in metres, by the
// international standard atmosphere (ISO 2533).
func standardPressure(metres float64) float64 {
	return 1013.25 * math.Pow(1-2.25577e-5*metres, 5.25588)
}

// vapour is absolute humidity in g/m³ by Magnus' formula with the constants of
// Sonntag (1990) over water.
func vapour(celsius, pct float64) float64 {
	e := 6.112 * math.Exp(magnus(celsius)) * pct / 100
	return 216.7 * e / (273.15 + celsius)
}

// magnus is the exponent of saturated vapour pressure.
func magnus(celsius float64) float64 { return 17.62 * celsius / (243.12 + celsius) }

// site is a place where crews work.
type site struct {
	name             string
	altitude         float64
	pressure         float64 // standard, at its altitude
	mean, year, day  float64 // °C: mean and amplitudes
	humidity, attend float64 // mean in percent; how much work there is
}

// climate is the weather of the land: one process for all sites, each site with its
// own mean.
type climate struct {
	sdTemp, sdPressure, sdHumidity float64
	keep, keepP                    float64 // from one day to the next
	south                          bool
	zone                           float64 // hours east
	seasons                        [1461]float64
}

// weather is today's anomaly, in standard deviations.
type weather struct{ t, p, h float64 }

// next is tomorrow's weather. The variance stays one.
func (c *climate) next(w weather, d dice) weather {
	k, kp := c.keep, c.keepP
	e, ep := math.Sqrt(1-k*k), math.Sqrt(1-kp*kp)
	return weather{
		t: k*w.t + e*d.NormFloat64(),
		p: kp*w.p + ep*d.NormFloat64(),
		h: k*w.h + e*d.NormFloat64(),
	}
}

// season is 1 in midsummer and -1 in midwinter.
func (c *climate) season(day int) float64 { return c.seasons[(day+len(c.seasons))%len(c.seasons)] }

// yearOf is the course of seasons from a day of the year on, for as many days as
// repeat.
func (c *climate) yearOf(firstDay int) {
	for i := range c.seasons {
		c.seasons[i] = math.Cos(2 * math.Pi * float64(firstDay+i-200) / 365.25)
		if c.south {
			c.seasons[i] *= -1
		}
	}
}

// sun is 1 at the warmest hour of the day and -1 at the coldest.
func (c *climate) sun(second int64) float64 {
	return math.Cos(2 * math.Pi * (float64(second)/3600 + c.zone - 15) / 24)
}

// outside is temperature in °C at a sun and in a day's weather.
func (c *climate) outside(s *site, w weather, day int, sun float64) float64 {
	return max(-36, min(46, s.mean+s.year*c.season(day)+s.day*sun+c.sdTemp*w.t))
}

// inside is temperature in °C where a heater takes this share of the way to 18 °C
// when it is colder.
func inside(outside, heater float64) float64 { return outside + heater*max(0, 18-outside) }

// around is the air that a machine stands in. Warming keeps the vapour pressure.
func (c *climate) around(s *site, w weather, day int, second int64, heater float64) blind.Air {
	sun := c.sun(second)
	out := c.outside(s, w, day, sun)
	in := inside(out, heater)
	rh := max(12, min(98, s.humidity-9*sun+c.sdHumidity*w.h))
	if in > out {
		rh *= math.Exp(magnus(out) - magnus(in))
	}
	return blind.Air{
		TemperatureC: in, HumidityPct: max(3, min(100, rh)), AltitudeM: s.altitude,
		PressureHPa: s.pressure * (1 + c.sdPressure*w.p/1013.25),
	}
}

// density is relative to reference air. Dry air at the station's pressure is near
// enough: vapour acts on its own.
func density(a blind.Air) float64 {
	return pressure(a) / refPressure * (273.15 + refTemperature) / (273.15 + a.TemperatureC)
}

// pressure is the station's, from altitude when it is not told.
func pressure(a blind.Air) float64 {
	if a.PressureHPa > 0 {
		return a.PressureHPa
	}
	return standardPressure(a.AltitudeM)
}
