package tide

import (
	"math"

	"arcdrift/drift/blind"
)

// climate is the weather of the region: guesses for places where people lay
// cable, from cool and wet to warm and dry.
type climate struct {
	mean, season   float64 // °C: of the year, and how far summer is above it
	hottest        float64 // day of the year
	swing          float64 // °C between morning and early afternoon
	warm, pressure float64 // standard deviations of day to day: °C, hPa
	damp           float64 // relative humidity outdoors, %
}

func drawClimate(r *stream) climate {
	c := climate{
		mean: r.between(6, 20), season: r.between(5, 11), hottest: r.between(195, 215),
		swing: r.between(3, 8), warm: r.between(2, 4), pressure: r.between(5, 9), damp: r.between(55, 80),
	}
	if r.yes(0.15) { // south of the equator
		c.hottest -= 182
	}
	return c
}

// site is a place of work.
type site struct {
	name     string
	altitude float64 // m
	shelter  float64 // how far van or tent brings the air towards 19 °C
}

func drawSites(r *stream, n int) []site {
	base := r.between(20, 450)
	hills := r.between(20, 180)
	if r.yes(0.25) { // one fleet in four has mountains in its area
		hills = r.between(300, 600)
	}
	sites := make([]site, n)
	for i := range sites {
		sites[i] = site{
			name:     "place-" + string(rune('a'+i)),
			altitude: math.Round(min(2400, max(0, base+hills*math.Abs(r.normal())-20))),
			shelter:  r.between(0.2, 0.65),
		}
	}
	return sites
}

// sky is the weather of a day as it differs from what is usual, and lasts from
// one day to the next.
type sky struct{ warm, pressure, damp float64 }

// pass brings the weather of the next day. Fronts last a few days: a
// correlation of 0.75 from day to day is a guess.
func (k sky) pass(r stream) sky {
	const stays = 0.75
	fresh := math.Sqrt(1 - stays*stays)
	return sky{
		warm:     stays*k.warm + fresh*r.normal(),
		pressure: stays*k.pressure + fresh*r.normal(),
		damp:     stays*k.damp + fresh*r.normal(),
	}
}

// airAt is the air around a machine at a site; hour is 0 in the morning and 1
// after noon, yearday that of the day.
func (c *climate) airAt(at site, k sky, yearday, hour float64) blind.Air {
	out := c.mean + c.season*math.Cos(2*math.Pi*(yearday-c.hottest)/365.25) - 0.0065*at.altitude +
		c.warm*k.warm + c.swing*(hour-0.5)
	wet := min(98, max(15, c.damp+10*k.damp-12*(hour-0.5)))
	in := min(42, max(-12, out+at.shelter*(19-out)))
	vapour := wet / 100 * saturation(out)
	high := standardPressure(at.altitude)
	return blind.Air{
		TemperatureC: in, HumidityPct: min(97, max(5, 100*vapour/saturation(in))), AltitudeM: at.altitude,
		PressureHPa: high + c.pressure*k.pressure*high/1013.25,
	}
}

// saturation is the pressure of saturated vapour over water, hPa (Magnus form
// with the coefficients of WMO-No. 8, from memory).
func saturation(t float64) float64 { return 6.112 * math.Exp(17.62*t/(243.12+t)) }

// water is the absolute humidity, g/m³, by the gas law of vapour.
func water(a blind.Air) float64 {
	return 216.7 * a.HumidityPct / 100 * saturation(a.TemperatureC) / (a.TemperatureC + 273.15)
}

// standardPressure is that of the standard atmosphere, hPa (ISO 2533, from memory).
func standardPressure(altitude float64) float64 {
	return 1013.25 * math.Pow(1-2.25577e-5*altitude, 5.25588)
}

// breath is how a machine's arc answers to air, as logarithm of required power.
type breath struct {
	density float64 // per logarithm of density lost
	bend    float64 // per its square
	water   float64 // per 10 g/m³ of vapour
	warm    float64 // per 10 K: supply and optics
	// made is the share of the effect of density that the machine's own sensor makes
	// up for, up to most.
	made, most float64
}

// effect is the change of required power from reference air. Thin air carries
// less heat to the glass, so that more power is needed: common practice says so of
// heights; the size is a guess around 4 % for 1,000 m without compensation.
func (b *breath) effect(a blind.Air) float64 {
	thin := -math.Log(a.PressureHPa / 1013 * 293.15 / (a.TemperatureC + 273.15))
	raw := b.density*thin + b.bend*thin*thin
	made := min(b.most, max(-b.most, b.made*raw))
	return raw - made + b.water*(water(a)-11)/10 + b.warm*(a.TemperatureC-20)/10
}

// drawBreath is for a model. Two models in three have a sensor of pressure or
// height; how well it does is a guess.
func drawBreath(r *stream) breath {
	b := breath{
		density: r.between(0.22, 0.55), bend: r.between(-0.2, 0.5),
		water: r.between(-0.006, 0.012), warm: r.between(-0.005, 0.005), most: r.between(0.06, 0.2),
	}
	if r.yes(0.65) {
		b.made = r.between(0.4, 0.9)
	}
	return b
}

// of varies a model's answer to air for one of its machines.
func (b breath) of(r *stream) breath {
	b.density = r.about(b.density, 0.1)
	b.water += 0.002 * r.normal()
	b.warm += 0.0015 * r.normal()
	b.made = min(0.97, b.made*r.about(1, 0.08))
	return b
}
