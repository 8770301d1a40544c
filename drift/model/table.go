package model

// OutTable has the numbers from which [Machine.OutChance] and [Machine.Shift] can be
// computed elsewhere, without the agent. Powers are in log percent, distances in arcs.
type OutTable struct {
	// Low and High bound the deviations that pass; see [Params.Window].
	Low, High float64
	// Arcs the pair has burnt, and ScatterAge, the age of its scatter.
	Arcs, ScatterAge float64
	// The [Params] of the same names.
	WearExponent, Walk, SlopeWalk, DirtRate, DirtStep, ScatterScaleWalk float64
	Scatter, ScatterArcs, ScatterExponent                               float64
	// Air has the [Regressors] of the air of the last attempt.
	Air [airTerms]float64
	// NeverTold are the quantities of the air that the machine never reported, AirDoubt is
	// the [Place.Doubt] that follows.
	NeverTold AirParts
	AirDoubt  float64
	// The chance that is stated is Beside plus Weights times the chances in the doubt of
	// required power Doubts, variances: see [Machine.StatedOut].
	Beside          float64
	Weights, Doubts [len(outDoubts)]float64
	// Rows has one entry a scatter scale, from the lowest.
	Rows []OutRow
}

// outTerms are off, the level minus the setting in force, the slope, and the
// effects of the air.
const outTerms = 2 + airTerms

// OutRow is the distribution of the state for one scatter scale.
type OutRow struct {
	Weight float64
	// ScatterScale of the scatter, and the mean Level.
	ScatterScale, Level float64
	// Mean and Cov of off, slope and the air's effects: Cov is the lower triangle,
	// row by row.
	Mean [outTerms]float64
	Cov  [outTerms * (outTerms + 1) / 2]float64
}

// OutTable returns the machine's table as of its last attempt.
func (m *Machine) OutTable() OutTable {
	p := m.params
	t := OutTable{
		Arcs: m.arcs, ScatterAge: m.scatterAge, Air: m.air, NeverTold: m.neverTold, AirDoubt: m.airDoubt(),
		WearExponent: p.WearExponent, Walk: p.Walk, SlopeWalk: p.SlopeWalk, DirtRate: p.DirtRate, DirtStep: p.DirtStep(), ScatterScaleWalk: p.ScatterScaleWalk,
		Scatter: p.Scatter, ScatterArcs: p.ScatterArcs, ScatterExponent: p.ScatterExponent,
		Rows: make([]OutRow, scatterScales),
	}
	t.Low, t.High = p.Window()
	t.Weights[0], t.Doubts = 1, p.outDoubts()
	if weights := p.OutBlend[m.Grade()]; weights != nil {
		copy(t.Weights[:], weights)
		t.Beside = weights[len(outDoubts)] * m.outByMachine()
	}
	for k := range t.Rows {
		t.Rows[k] = m.filter.outRow(k)
	}
	return t
}

// outRow returns the marginal distribution of off, slope and the effects of the air for
// scatter scale k.
func (f *filter) outRow(k int) OutRow {
	g := &f.state[k]
	r := OutRow{Weight: f.weight[k], ScatterScale: ScatterScaleAt(k), Level: g.Mean[level]}
	var look [outTerms][states]float64
	look[0][level], look[0][offset], look[0][setting] = 1, 1, -1
	look[1][slope] = 1
	for i := range airTerms {
		look[2+i][airAt+i] = 1
	}
	n := 0
	for i := range look {
		r.Mean[i], _ = g.Predict(look[i][:])
		for j := range i + 1 {
			for a, x := range look[i] {
				for b, y := range look[j] {
					r.Cov[n] += x * y * g.Cov[a*states+b]
				}
			}
			n++
		}
	}
	return r
}
