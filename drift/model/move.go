package model

import (
	"math"
	"slices"

	"arcdrift/drift/fit"
)

// OutChance returns the chance that a well-prepared attempt in this air ([Regressors]),
// after so many more arcs and at the setting in force, lies outside the tolerance.
func (m *Machine) OutChance(air [airTerms]float64, moreArcs float64) float64 {
	return m.OutChanceIn(Place{Air: air}, moreArcs)
}

// OutChanceIn is the same in a place of which not everything is known.
func (m *Machine) OutChanceIn(there Place, moreArcs float64) float64 {
	f := m.filter
	if moreArcs > 0 {
		f = f.clone()
		f.advanceOnce(m.params, m.arcs+moreArcs, moreArcs)
	}
	ev := Event{Air: there.Air}
	noise := m.params.noise(m.scatterAge+moreArcs, false)
	_, off := rows(&ev)
	lo, hi := m.params.Window()
	out := 0.0
	for k, w := range f.weight {
		mean, v := f.state[k].Predict(off[:])
		sd := math.Sqrt(v + there.Doubt + noise[k])
		out += w * (fit.NormalCDF((lo-mean)/sd) + fit.NormalCDF((mean-hi)/sd))
	}
	return min(out, 1)
}

// Shift returns mean and variance of the change of required power, in log percent, from
// the air of the last attempt to another ([Regressors]).
func (m *Machine) Shift(to [airTerms]float64) (mean, variance float64) {
	var row [states]float64
	for i := range airTerms {
		row[airAt+i] = to[i] - m.air[i]
	}
	return m.filter.mean(row[:])
}

// AirEffects returns the mean effects of density and humidity on required power in the air
// of the last attempt, in log percent against reference air.
func (m *Machine) AirEffects() (density, humidity float64) {
	a := m.filter.air()
	return a.Mean[0] * m.air[0], a.Mean[1] * m.air[1]
}

// BeyondReach returns the chance that required power, in the air of the last attempt, lies
// so far beyond the machine's limit that a typical attempt cannot pass; 0 if the limit is
// not known.
func (m *Machine) BeyondReach() float64 {
	if !m.params.Limit.Known() {
		return 0
	}
	bottom, top := m.params.Bounds()
	lo, hi := m.params.Window()
	var row [states]float64
	row[level], row[offset] = 1, 1
	copy(row[airAt:], m.air[:])
	beyond := 0.0
	for k, w := range m.filter.weight {
		mean, v := m.filter.state[k].Predict(row[:])
		sd := math.Sqrt(max(v, 1e-12))
		beyond += w * (fit.NormalCDF((mean-top-hi)/sd) + fit.NormalCDF((bottom+lo-mean)/sd))
	}
	return min(beyond, 1)
}

// PerDay returns the machine's pace in arcs a day over its last weeks, 0 if unknown.
func (m *Machine) PerDay() float64 { return m.recent.perDay() }

// Gap returns the usual time between its sessions in days, 0 if unknown.
func (m *Machine) Gap() float64 { return m.recent.gap() }

// Clone returns a copy that can be updated on its own.
func (m *Machine) Clone() *Machine {
	c := *m
	c.filter, c.modes = m.filter.clone(), slices.Clone(m.modes)
	return &c
}
