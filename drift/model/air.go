package model

import (
	"math"

	"arcdrift/drift/air"
)

// AirParts are quantities of the air.
type AirParts struct{ Temperature, Humidity, Pressure bool }

// Place is the air of a place as one machine's records would report it.
type Place struct {
	// Air has the [Regressors].
	Air [airTerms]float64
	// Doubt is the variance of required power there for what they would not, in squared
	// log percent.
	Doubt float64
}

// temperatureSpread is that of the air between days, in °C. A guess.
const temperatureSpread = 6.0

// places estimates PlaceSpread: the root mean square change of the density term at moves,
// by machines that report temperature and pressure.
func (p *Params) places(histories []History) {
	const (
		weight = 10  // moves' worth of prior
		far    = 2.5 // a smaller change is weather
	)
	n, sum := float64(weight), weight*sq(p.PlaceSpread)
	for _, h := range histories {
		before, known := 0.0, false
		for i := range h.Events {
			ev := &h.Events[i]
			if ev.Kind != Attempt || ev.NeverTold.Pressure || ev.NeverTold.Temperature {
				continue
			}
			if d := ev.Air[0] - before; known && ev.NewSession && math.Abs(d) > far {
				n, sum = n+1, sum+d*d
			}
			before, known = ev.Air[0], true
		}
	}
	p.PlaceSpread = math.Sqrt(sum / n)
}

// NeverTold are the quantities of the air that no record of the machine reports.
func (m *Machine) NeverTold() AirParts { return m.neverTold }

// Place returns a place for this machine. The effect of what its records never report is
// in the level, as it was wherever the machine was: how far that lies from the place asked
// about is unknown.
func (m *Machine) Place(temperatureC, humidityPct, pressureHPa, machineC float64) Place {
	never := m.neverTold
	if never.Temperature {
		return Place{m.air, m.airDoubt()} // nothing of the air was used
	}
	if never.Humidity {
		humidityPct = TypicalHumidity
	}
	if never.Pressure {
		pressureHPa = air.ReferencePressureHPa
	}
	return Place{Regressors(temperatureC, humidityPct, pressureHPa, machineC), m.airDoubt()}
}

// airDoubt is the variance of the effects of what the machine never reports.
func (m *Machine) airDoubt() float64 {
	density, own := 0.0, 0.0
	if m.neverTold.Pressure || m.neverTold.Temperature {
		density += sq(m.params.PlaceSpread)
	}
	if m.neverTold.Temperature {
		density += sq(100 * temperatureSpread / kelvin)
		own = sq(temperatureSpread / 10)
	}
	a := m.filter.air()
	return density*(sq(a.Mean[0])+a.Var(0)) + own*(sq(a.Mean[2])+a.Var(2))
}

// kelvin is 20 °C.
const kelvin = 293.15
