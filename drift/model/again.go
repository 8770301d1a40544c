package model

import (
	"math"

	"arcdrift/drift/fit"
)

// OutAgain is the chance that a well-prepared attempt in the air of the last one,
// now and at the setting in force, lands outside the tolerance.
func (m *Machine) OutAgain() float64 { return m.OutChance(m.air, 0) }

// StatedAgain is that chance as it is stated.
func (m *Machine) StatedAgain() float64 { return m.StatedOut(Place{Air: m.air}, 0) }

// OutAfterPass is that once one more attempt, of which nothing but a pass
// is known, has been made there: what a check leaves. A check cannot bring the
// chance below it.
func (m *Machine) OutAfterPass() float64 {
	c := m.Clone()
	c.Update(&Event{Kind: Attempt, Time: m.last, Pair: m.pair, Arcs: m.arcs, NewSession: true, Ordinal: 1, Tries: 1, Passed: true, Air: m.air, NeverTold: m.neverTold, Estimated: m.estimated})
	return c.StatedAgain()
}

// OutCentred is that chance at the setting that suits best: what the scatter of the
// attempts and the doubt about required power leave after a calibration that
// corrects the setting.
func (m *Machine) OutCentred() float64 {
	_, off := rows(&Event{Air: m.air})
	noise := m.params.noise(m.scatterAge, false)
	lo, hi := m.params.Window()
	out := 0.0
	for k, w := range m.filter.weight {
		_, v := m.filter.state[k].Predict(off[:])
		out += w * 2 * fit.NormalCDF((lo-hi)/2/math.Sqrt(v+noise[k]))
	}
	return min(out, 1)
}
