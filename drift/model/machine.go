package model

import (
	"math"
	"time"

	"arcdrift/drift"
)

// Machine is what is known of one machine: fold its events in order.
type Machine struct {
	Name   string
	kind   *Params // of its model
	params *Params // in the program in use, with its own values
	filter *filter

	program   string
	modes     []mode
	limit     drift.Opt[float64]
	pair      int
	arcs      float64
	cleanedAt float64
	worn      float64 // age of the scatter, in arcs
	guessed   float64 // arcs that were put in for an age nobody told
	cleanings int
	begun     bool
	last      time.Time // of the last attempt
	air       [airTerms]float64
	spoiltSum float64
	spoiltN   float64
	spoiltAll float64
	lean      lean
	streak    Streak
	tally     tally
	untold    Missing
	tape      tape
	points    points
	logLik    float64
	attempts  int
	numbers   int // attempts that told a number
	unlogged  bool
	reckoned  bool
}

// NewMachine starts a machine of the given kind.
func NewMachine(name string, p *Params) *Machine {
	m := &Machine{Name: name, kind: p, params: p, filter: newFilter()}
	m.filter.start(p)
	return m
}

// Step is what folding one event showed.
type Step struct {
	// Raw is the required power as measured and Reference the same at reference
	// air, in log percent; NaN where the data do not tell.
	Raw, Reference float64
	Spoilt         float64
}

// Update folds in the next event.
func (m *Machine) Update(ev *Event) Step {
	if ev.Pair != m.pair {
		m.newPair(ev)
	}
	f, p := m.filter, m.params
	step := ev.Step
	if m.guessed > 0 && !ev.Estimated {
		// A counter at last: some of what it shows was believed in already.
		step = max(step-m.guessed, 0)
		m.guessed = 0
	}
	f.advance(p, ev.Arcs, step)
	m.arcs, m.reckoned = ev.Arcs, ev.Estimated
	m.worn += step
	if !m.begun {
		m.worn = ev.Arcs
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

// Clean lets the bench clean the pair as it stands.
func (m *Machine) Clean() {
	m.filter.clean(m.params)
	m.worn *= 1 - m.params.CleanScatter*math.Pow(CleanFades, float64(m.cleanings))
	m.cleanedAt = m.arcs
	m.cleanings++
	m.streak = Streak{}
}

// Unlogged says whether the fitted pair was told by a fallen counter only.
func (m *Machine) Unlogged() bool { return m.unlogged }

// Estimated says whether the arcs are reckoned, as no counter was ever told.
func (m *Machine) Estimated() bool { return m.reckoned }

// guess ages a pair that nobody told the age of: neither its counter nor when it was
// fitted. It has burnt what pairs of its kind mostly have. The age is returned.
func (m *Machine) guess(ev *Event) float64 {
	p := m.params
	if !ev.Estimated || m.pair > 0 {
		return ev.Arcs
	}
	m.guessed = p.UsualArcs
	m.worn = ev.Arcs + m.guessed
	m.filter.advance(p, m.guessed, m.guessed)
	for k := range m.filter.state {
		g := &m.filter.state[k]
		// Any age up to twice that.
		g.AddVariance(level, sq(p.Slope*p.Wear(m.guessed))/3)
	}
	return m.worn
}

func (m *Machine) newPair(ev *Event) {
	m.filter.newPair(m.params)
	m.pair, m.worn, m.guessed, m.cleanedAt, m.cleanings, m.streak, m.points = ev.Pair, 0, 0, 0, 0, Streak{}, points{}
	m.unlogged = ev.Kind != Replaced
	for i := range m.modes {
		if m.params.Resets > 0.5 {
			m.modes[i].setting, m.modes[i].settingVar = 0, sq(roundingSD)
		}
	}
}

func (m *Machine) attempt(ev *Event) Step {
	m.use(ev.Program)
	m.told(ev.Target, ev.Tolerance, ev.Limit)
	ev = m.aimed(ev)
	p := m.params
	m.last = ev.Time
	m.tape.note(ev, m.arcs)
	before := m.air
	if !m.begun {
		before = ev.Air
		m.filter.meet(p, ev, m.guess(ev))
	}
	m.begun, m.air = true, ev.Air
	step := Step{Raw: math.NaN(), Reference: math.NaN()}
	if ev.Conditioning {
		m.filter.correct(p, ev)
		return step
	}
	var out outlook
	if !ev.Passed {
		out = m.outlook(before, ev)
	}
	rate := m.spoiltRate()
	sided := m.oneSided(ev, rate)
	out.side = sided / (1 - sided) * (1 - rate) / rate
	s := m.filter.attempt(p, ev, m.worn, rate, sided)
	m.attempts++
	if s.number {
		m.numbers++
	}
	m.logLik += s.logLik
	m.spoiltSum, m.spoiltN = m.spoiltSum*spoiltMemory+s.spoilt, m.spoiltN*spoiltMemory+1
	m.spoiltAll += s.spoilt
	m.tally.note(ev, m.streak.note(ev, s.spoilt, out))
	step.Spoilt = s.spoilt
	if !math.IsNaN(s.raw) {
		m.points.add(m.arcs, s.raw-m.filter.mean1(offset))
		step.Raw = s.raw
		step.Reference = s.raw - m.airEffect(ev.Air)
	}
	return step
}

// A blunt cleaver comes and goes: the machine's own share of spoilt ends is a
// mean over about a hundred attempts that begins at the population's, worth
// twenty.
const (
	spoiltMemory = 0.99
	spoiltPrior  = 20.0
)

func (m *Machine) spoiltRate() float64 {
	rate := (m.params.Spoilt*spoiltPrior + m.spoiltSum) / (spoiltPrior + m.spoiltN)
	return min(max(rate, 0.002), 0.5)
}

// airEffect is the mean effect of an air on required power, in log percent.
func (m *Machine) airEffect(air [airTerms]float64) float64 {
	var row [states]float64
	copy(row[airAt:], air[:])
	e, _ := m.filter.mean(row[:])
	return e
}

// Pair numbers the fitted pair from 0; Arcs is its age and SinceCleaned the
// arcs since the last clean; Cleanings how often it was cleaned.
func (m *Machine) Pair() (pair int, arcs, sinceCleaned float64, cleanings int) {
	return m.pair, m.arcs, m.arcs - m.cleanedAt, m.cleanings
}

// ScatterAge is the age of the scatter in arcs: that of the pair, less what cleaning
// took off.
func (m *Machine) ScatterAge() float64 { return m.worn }

// Params are those of the machine's kind, with its own values where it told them.
func (m *Machine) Params() *Params { return m.params }

// Streak returns the streak that stands.
func (m *Machine) Streak() Streak { return m.streak }

// Last is the time of the last attempt, zero without one.
func (m *Machine) Last() time.Time { return m.last }

// Attempts is how many attempts have been folded.
func (m *Machine) Attempts() int { return m.attempts }

// Level returns mean and standard deviation of the required power at reference
// air in the program in use, in log percent.
func (m *Machine) Level() (mean, sd float64) {
	row := [states]float64{level: 1, offset: 1}
	mean, v := m.filter.mean(row[:])
	return mean, math.Sqrt(v)
}

// Slope returns those of its slope per 1000 arcs now.
func (m *Machine) Slope() (mean, sd float64) {
	mean, sd = m.component(slope)
	rate := 1000 * (m.params.Wear(m.arcs+1) - m.params.Wear(m.arcs))
	return mean * rate, sd * rate
}

// Setting returns those of the setting in force.
func (m *Machine) Setting() (mean, sd float64) { return m.component(setting) }

func (m *Machine) component(i int) (mean, sd float64) {
	var row [states]float64
	row[i] = 1
	mean, v := m.filter.mean(row[:])
	return mean, math.Sqrt(v)
}

// Scatter is the mean scatter now, in log percent.
func (m *Machine) Scatter() float64 {
	s := 0.0
	for k, w := range m.filter.weight {
		s += w * ScatterScaleAt(k)
	}
	return s * m.params.ScatterAt(m.worn)
}

// lnMultiple is the mean of the logarithm of the pair's multiple.
func (m *Machine) lnMultiple() float64 {
	s := 0.0
	for k, w := range m.filter.weight {
		s += w * (lowestLog + multipleStep*float64(k))
	}
	return s
}
