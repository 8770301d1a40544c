package model

// The chance of being out after a move is stated from several: the model's own, the
// model's if it knew required power less well than it believes, and how often first
// attempts of this machine have failed. Their weights are learnt from the outcomes of past
// moves. See forecast.Learn.

// outDoubts are the standard deviations of required power beside the model's own, as shares
// of half the tolerance, of the first members. Guesses.
var outDoubts = [...]float64{0, 0.35, 0.8}

// OutMembers are chances of being out: the model's by outDoubts, then the machine's own.
type OutMembers [len(outDoubts) + 1]float64

// firsts counts the first attempts of a machine's sessions, with weights that fade.
type firsts struct{ fails, n float64 }

const (
	// firstsMemory is the weight of the past at each session: about the last 30 count.
	firstsMemory = 0.97
	// firstsPrior is the weight of the kind's share, in sessions.
	firstsPrior = 8
	// badEndOut is the chance that an attempt with a bad end is out of tolerance. A guess.
	badEndOut = 0.6
)

func (t *firsts) add(ev *Event) {
	t.fails, t.n = t.fails*firstsMemory, t.n*firstsMemory+1
	if FailedFirst(ev) {
		t.fails++
	}
}

// FailedFirst says whether the first attempt of a session failed, by its first event.
func FailedFirst(ev *Event) bool { return !ev.Passed || ev.Tries > 1 }

// OutMembers returns the chances that a well-prepared attempt in a place, after so many
// more arcs and at the setting in force, lies outside the tolerance.
func (m *Machine) OutMembers(there Place, moreArcs float64) (out OutMembers) {
	for i, doubt := range m.params.outDoubts() {
		out[i] = m.OutChanceIn(Place{there.Air, there.Doubt + doubt}, moreArcs)
	}
	out[len(outDoubts)] = m.outByMachine()
	return out
}

// outDoubts are those as variances, in squared log percent.
func (p *Params) outDoubts() (out [len(outDoubts)]float64) {
	lo, hi := p.Window()
	for i, share := range outDoubts {
		out[i] = sq(share * (hi - lo) / 2)
	}
	return out
}

// outByMachine is the share of first attempts that failed, less what bad ends explain.
func (m *Machine) outByMachine() float64 {
	p := m.params
	failed := (m.firsts.fails + firstsPrior*p.Firsts) / (m.firsts.n + firstsPrior)
	bad := p.BadEnd * badEndOut
	return max(failed-bad, 0) / (1 - bad)
}

// Fails turns a chance of being out with well-prepared ends into that of a fail.
func (p *Params) Fails(out float64) float64 { return out + (1-out)*p.BadEnd*badEndOut }

// StatedOut returns the chance that is stated, by the weights learnt.
func (m *Machine) StatedOut(there Place, moreArcs float64) float64 {
	weights := m.params.OutBlend[m.Grade()]
	if weights == nil {
		return m.OutChanceIn(there, moreArcs)
	}
	sum := 0.0
	for i, chance := range m.OutMembers(there, moreArcs) {
		sum += weights[i] * chance
	}
	return sum
}

// PlaceOf is the place of an attempt.
func (m *Machine) PlaceOf(ev *Event) Place { return Place{m.kind.Placed(ev).Air, m.airDoubt()} }

// Elsewhere says whether an attempt comes after a move or a change of weather, by the air
// that was reported.
func (m *Machine) Elsewhere(ev *Event) bool {
	const thinner, warmer = 2.5, 0.5 // of the regressors: some 200 m, 5 °C
	there := m.kind.Placed(ev).Air
	thin, warm := there[0]-m.air[0], there[2]-m.air[2]
	return max(thin, -thin) > thinner || max(warm, -warm) > warmer
}
