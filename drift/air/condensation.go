package air

import "math"

// Condensation says at which temperatures of a machine water condenses on it from the air.
type Condensation struct {
	// PointC is where water settles on a surface: the dew point, or the frost
	// point where that is below 0 °C.
	PointC float64
	// DryC is the machine temperature from which on nothing settles: PointC
	// and a margin of 2 °C, or of half the way to the air if that is less.
	DryC float64
	// Saturated says that PointC is so close to the air's temperature that
	// waiting for a colder machine to dry has no end: dry the air, or move.
	Saturated bool

	airC float64
}

// saturatedC is how close to its dew or frost point air counts as saturated:
// 0.5 °C is about 97 % humidity, which a hygrometer with an error of 3 % cannot
// distinguish from saturated air.
const saturatedC = 0.5

// CondensationIn returns that of air at a temperature and humidity. The margin and the
// bound of saturation are this program's own rule.
func CondensationIn(airC, humidityPct float64) Condensation {
	point := DewPoint(airC, humidityPct)
	if point < 0 {
		point = FrostPoint(airC, humidityPct)
	}
	spread := airC - point
	return Condensation{
		PointC:    point,
		DryC:      point + min(2, spread/2),
		Saturated: spread < saturatedC,
		airC:      airC,
	}
}

// Wets reports whether water condenses on a machine at this temperature.
func (c Condensation) Wets(machineC float64) bool {
	return machineC < c.DryC
}

// Wait returns the minutes until a machine at this temperature, warming with
// time constant tauMinutes, has reached DryC: 0 if it is dry now, and plus
// infinity if water condenses and the air is saturated.
func (c Condensation) Wait(machineC, tauMinutes float64) float64 {
	switch {
	case !c.Wets(machineC):
		return 0
	case c.Saturated:
		return math.Inf(1)
	}
	return WarmUp(machineC, c.DryC, c.airC, tauMinutes)
}

// WarmUp returns the minutes a body takes from one temperature to another in
// air of constant temperature, by Newton's law of cooling,
// τ·ln((air - from)/(air - to)); to lies between from and the air. The time
// constant τ belongs to the machine and its case.
func WarmUp(fromC, toC, airC, tauMinutes float64) float64 {
	return tauMinutes * math.Log((airC-fromC)/(airC-toC))
}
