package model

import (
	"math"
	"time"

	"arcdrift/drift"
)

// Machine is the state of one machine as its events so far give it. Make one with
// [NewMachine] and call [Machine.Update] with each event in order.
type Machine struct {
	Name   string
	kind   *Params // of its model
	params *Params // in the program in use, with its own values
	filter *filter

	program     string
	modes       []mode
	limit       drift.Opt[float64]
	idle        idle
	pair        int
	arcs        float64
	cleanedAt   float64
	scatterAge  float64 // in arcs
	assumedArcs float64 // arcs that stand in for an unknown age
	cleanings   int
	started     bool
	last        time.Time // of the last attempt
	air         [airTerms]float64
	badEndSum   float64
	badEndN     float64
	badEndAll   float64
	sideBias    sideBias
	streak      Streak
	tally       tally
	missing     Missing
	neverTold   AirParts
	firsts      firsts
	recent      recentSessions
	points      points
	logLik      float64
	attempts    int
	numbers     int // attempts that reported a number
	unlogged    bool
	estimated   bool
	// silent is whether nobody asks for the streak or the grade of data.
	silent bool
}

// NewMachine returns a machine without events, of the kind p. It keeps p and does not
// change it.
func NewMachine(name string, p *Params) *Machine {
	m := &Machine{Name: name, kind: p, params: p, filter: newFilter()}
	m.filter.start(p)
	return m
}

// Step is what one event showed.
type Step struct {
	// Raw is the required power as measured, Reference the same at reference air, both
	// in log percent; NaN where the event does not give it.
	Raw, Reference float64
	// BadEnd is the probability that an end was bad.
	BadEnd float64
}

// Update updates the machine with its next event, in order of time, and returns what
// the event showed. It keeps nothing of the event. Arcs of the event are on its pair; an
// event of another pair starts that pair. Its cost does not grow with the history.
func (m *Machine) Update(ev *Event) Step {
	if ev.Pair != m.pair {
		m.newPair(ev)
	}
	f, p := m.filter, m.params
	step := ev.Step
	if m.assumedArcs > 0 && !ev.Estimated {
		// The first counter: the part of it that was assumed is not added again.
		step = max(step-m.assumedArcs, 0)
		m.assumedArcs = 0
	}
	f.advance(p, ev.Arcs, step)
	m.arcs, m.estimated = ev.Arcs, ev.Estimated
	m.scatterAge += step
	if !m.started {
		m.scatterAge = ev.Arcs
	}
	out := Step{Raw: math.NaN(), Reference: math.NaN()}
	switch ev.Kind {
	case Attempt:
		out = m.attempt(ev)
	case Cleaned:
		m.Clean()
	case Inspected:
		if ev.Finding == drift.Fine || ev.Finding == drift.CleaverFault {
			m.streak = Streak{}
		}
	}
	return out
}

// Clean updates the machine for a clean of the fitted pair.
func (m *Machine) Clean() {
	m.filter.clean(m.params)
	m.scatterAge *= 1 - m.params.CleanScatter*math.Pow(CleanFades, float64(m.cleanings))
	m.cleanedAt = m.arcs
	m.cleanings++
	m.streak = Streak{}
}

// Unlogged says whether a fallen counter is the only sign of the fitted pair.
func (m *Machine) Unlogged() bool { return m.unlogged }

// Estimated says whether the arcs are estimated because no counter was ever reported.
func (m *Machine) Estimated() bool { return m.estimated }

// assumeAge returns the age of the scatter at the first attempt. A pair of unknown age,
// without a counter and without a record of when it was fitted, is given the usual arcs
// of its kind.
func (m *Machine) assumeAge(ev *Event) float64 {
	p := m.params
	if !ev.Estimated || m.pair > 0 {
		return ev.Arcs
	}
	m.assumedArcs = p.UsualArcs
	m.scatterAge = ev.Arcs + m.assumedArcs
	m.filter.advance(p, m.assumedArcs, m.assumedArcs)
	for k := range m.filter.state {
		g := &m.filter.state[k]
		// Any age up to twice that is as likely.
		g.AddVariance(level, sq(p.Slope*p.Wear(m.assumedArcs))/3)
	}
	return m.scatterAge
}

func (m *Machine) newPair(ev *Event) {
	m.filter.newPair(m.params)
	m.pair, m.scatterAge, m.assumedArcs, m.cleanedAt, m.cleanings, m.streak, m.points = ev.Pair, 0, 0, 0, 0, Streak{}, points{}
	m.unlogged = ev.Kind != Replaced
	for i := range m.modes {
		one, resets := &m.modes[i], m.params.Resets
		one.settingVar = (1-resets)*(one.settingVar+resets*sq(one.setting)) + resets*sq(roundingSD)
		one.setting *= 1 - resets
	}
}

func (m *Machine) attempt(ev *Event) Step {
	m.use(ev.Program)
	m.updateTargets(ev.Target, ev.Tolerance, ev.Limit)
	if m.idle.add(ev) {
		m.derive()
	}
	ev = m.kind.Placed(m.aimed(ev))
	p := m.answered(ev)
	m.last = ev.Time
	m.recent.add(ev, m.arcs, m.place(m.program))
	before := m.air
	if !m.started {
		before = ev.Air
		m.filter.meet(p, ev, m.assumeAge(ev))
	}
	m.started, m.air, m.neverTold = true, ev.Air, ev.NeverTold
	step := Step{Raw: math.NaN(), Reference: math.NaN()}
	if ev.Conditioning {
		m.filter.correct(p, ev)
		return step
	}
	if ev.NewSession {
		m.firsts.add(ev)
	}
	var out outlook
	if !ev.Passed && !m.silent {
		out = m.outlook(before, ev)
	}
	rate := m.badEndRate()
	sided := m.oneSided(ev, rate)
	out.side = sided / (1 - sided) * (1 - rate) / rate
	s := m.filter.attempt(p, ev, m.scatterAge, rate, sided)
	m.attempts++
	if s.number {
		m.numbers++
	}
	m.logLik += s.logLik
	m.badEndSum, m.badEndN = m.badEndSum*badEndMemory+s.badEnd, m.badEndN*badEndMemory+1
	m.badEndAll += s.badEnd
	if !m.silent {
		m.tally.add(ev, m.streak.update(ev, s.badEnd, out))
	}
	step.BadEnd = s.badEnd
	if !math.IsNaN(s.raw) {
		m.points.add(m.arcs, s.raw-m.filter.mean1(offset))
		step.Raw = s.raw
		step.Reference = s.raw - m.airEffect(ev.Air)
	}
	return step
}

// A cleaver is blunt for a time only: the machine's own share of bad ends is a mean
// over about the last hundred attempts, with the population's share as a prior worth
// twenty.
const (
	badEndMemory = 0.99
	badEndPrior  = 20.0
)

func (m *Machine) badEndRate() float64 {
	rate := (m.params.BadEnd*badEndPrior + m.badEndSum) / (badEndPrior + m.badEndN)
	return min(max(rate, 0.002), 0.5)
}

// airEffect returns the mean effect of an air on required power, in log percent.
func (m *Machine) airEffect(air [airTerms]float64) float64 {
	var row [states]float64
	copy(row[airAt:], air[:])
	e, _ := m.filter.mean(row[:])
	return e
}

// Pair returns the number of the fitted pair, from 0, the arcs on it, the arcs since its
// last clean, and how often it was cleaned.
func (m *Machine) Pair() (pair int, arcs, sinceCleaned float64, cleanings int) {
	return m.pair, m.arcs, m.arcs - m.cleanedAt, m.cleanings
}

// ScatterAge returns the age of the scatter, in arcs: that of the pair, less what cleans
// took off.
func (m *Machine) ScatterAge() float64 { return m.scatterAge }

// Params returns those of the machine's kind, with the machine's own target, tolerance
// and limit where it reported them. They must not be changed.
func (m *Machine) Params() *Params { return m.params }

// Streak returns the present run of attempts without a pass.
func (m *Machine) Streak() Streak { return m.streak }

// Last returns the time of the last attempt, the zero time without one.
func (m *Machine) Last() time.Time { return m.last }

// Attempts returns the number of attempts so far.
func (m *Machine) Attempts() int { return m.attempts }

// Level returns mean and standard deviation of the required power at reference air in
// the program in use, in log percent.
func (m *Machine) Level() (mean, sd float64) {
	row := [states]float64{level: 1, offset: 1}
	mean, v := m.filter.mean(row[:])
	return mean, math.Sqrt(v)
}

// Slope returns mean and standard deviation of the present slope of the level, in log
// percent per 1000 arcs.
func (m *Machine) Slope() (mean, sd float64) {
	mean, sd = m.component(slope)
	rate := 1000 * (m.params.Wear(m.arcs+1) - m.params.Wear(m.arcs))
	return mean * rate, sd * rate
}

// Setting returns mean and standard deviation of the setting in force, in log percent.
func (m *Machine) Setting() (mean, sd float64) { return m.component(setting) }

func (m *Machine) component(i int) (mean, sd float64) {
	var row [states]float64
	row[i] = 1
	mean, v := m.filter.mean(row[:])
	return mean, math.Sqrt(v)
}

// Scatter returns the present mean scatter, in log percent.
func (m *Machine) Scatter() float64 {
	s := 0.0
	for k, w := range m.filter.weight {
		s += w * ScatterScaleAt(k)
	}
	return s * m.params.ScatterAt(m.scatterAge)
}

// lnScatterScale returns the mean of the logarithm of the pair's scatter scale.
func (m *Machine) lnScatterScale() float64 {
	s := 0.0
	for k, w := range m.filter.weight {
		s += w * (lowestScale + scaleStep*float64(k))
	}
	return s
}
