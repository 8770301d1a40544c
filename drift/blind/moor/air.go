package moor

import (
	"math"

	"arcdrift/drift/blind"
)

const (
	daySeconds  = 86400
	knotSeconds = 5 * daySeconds / 2 // weather keeps for about two and a half days
	kelvin      = 273.15
	dryGas      = 287.05 // J/(kg K)
	vapourGas   = 461.5  // J/(kg K)
)

// standardPressure is the standard atmosphere (ISO 2533), in hPa, below 11 km.
func standardPressure(altitude float64) float64 {
	return 1013.25 * math.Pow(1-2.25577e-5*altitude, 5.25588)
}

// vapourPressure is after Magnus over water (WMO coefficients, from memory), in hPa.
func vapourPressure(c, humidity float64) float64 {
	return humidity / 100 * 6.112 * math.Exp(17.62*c/(243.12+c))
}

// vapour is absolute humidity in g/m³ at a vapour pressure in hPa.
func vapour(e, c float64) float64 { return e * 100 / (vapourGas * (c + kelvin)) * 1000 }

// density is that of moist air, in kg/m³.
func density(hPa, e, c float64) float64 {
	t := c + kelvin
	return (hPa-e)*100/(dryGas*t) + e*100/(vapourGas*t)
}

// logReference is the logarithm of the density of the reference air: 20 °C,
// 1013 hPa, 11 g/m³.
func logReference() float64 {
	const c, kilogram = 20.0, 0.011
	return math.Log(density(1013, kilogram*vapourGas*(c+kelvin)/100, c))
}

// site is a place with its climate.
type site struct {
	name     string
	seed     uint64
	altitude float64
	pressure float64 // standard, at this altitude
	mean     float64 // °C over the year
	season   float64 // half range over the year
	daily    float64 // half range over the day
	noise    float64 // °C
	shelter  float64 // how much of the weather comes in
	humidity float64 // percent
	humid    float64 // its noise
	unrest   float64 // of pressure, relative
}

// clockwork is what weather and work need of the calendar.
type clockwork struct {
	yearDay int64 // of the first day
	weekday int64 // of the first day, Sunday 0
	zone    int64 // seconds east of UTC
}

func cycle(x float64) float64 { return math.Cos(2 * math.Pi * x) }

// air is the air at a site, t seconds after the start.
func (w *walk) air(s int8, t int64) blind.Air {
	f := w.m.fleet
	p := &f.sites[s]
	local := float64(t + f.clock.zone)
	year := cycle((float64(f.clock.yearDay) + local/daySeconds - 200) / 365.25)
	hour := cycle(local/daySeconds - 15.0/24)
	w.weather(s, t)
	part := w.knots.part
	n := func(i int) float64 { return w.knots.a[i]*(1-part) + w.knots.b[i]*part }
	out := p.mean + p.season*year + p.daily*hour + p.noise*n(0)
	in := min(max(18+(out-18)*p.shelter, -36), 52)
	rh := p.humidity + p.humid*n(1) - 1.5*p.daily*hour*p.shelter - 0.4*(in-out)
	return blind.Air{
		TemperatureC: in, HumidityPct: min(max(rh, 9), 99),
		AltitudeM: p.altitude, PressureHPa: p.pressure * (1 + p.unrest*n(2)),
	}
}

// knots are the noise of the weather around a moment.
type knots struct {
	have bool
	site int8
	k    int64
	part float64
	a, b [3]float64
}

func (w *walk) weather(s int8, t int64) {
	k := floorDiv(t, knotSeconds)
	kn := &w.knots
	if !kn.have || kn.site != s || kn.k != k {
		if kn.have && kn.site == s && kn.k+1 == k {
			kn.a = kn.b
		} else {
			kn.a = w.knot(s, k)
		}
		kn.b = w.knot(s, k+1)
		kn.have, kn.site, kn.k = true, s, k
	}
	kn.part = float64(t-k*knotSeconds) / knotSeconds
}

func (w *walk) knot(s int8, k int64) (v [3]float64) {
	seed := w.m.fleet.sites[s].seed
	if w.c.weather != math.MaxInt64 && k*knotSeconds > w.c.weather {
		seed = w.c.plan + uint64(s)*0x632be59bd9b4e019
	}
	for i := range v {
		v[i] = bell(seed, ofWeather, k, int64(i))
	}
	return v
}

// airEffect is the change of required power, in logarithms, from reference air.
func (m *machine) airEffect(a blind.Air) float64 {
	hPa := a.PressureHPa
	if hPa <= 0 {
		hPa = standardPressure(a.AltitudeM)
	}
	e := vapourPressure(a.TemperatureC, a.HumidityPct)
	thin := math.Log(density(hPa, e, a.TemperatureC)) - m.fleet.logReference
	damp := vapour(e, a.TemperatureC) - 11
	return m.perDensity*thin + m.perVapour*damp + m.perDegree*(a.TemperatureC-20)
}
