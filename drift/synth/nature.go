package synth

import (
	"fmt"
	"math"
	"time"
)

// Grade is how much a machine's records contain, in the codes of the records.
type Grade string

// The three grades.
const (
	Full       Grade = "full"
	Correction Grade = "correction"
	PassFail   Grade = "pass-fail"
)

// nature is what does not change in a machine's life.
type nature struct {
	world *World
	model *Model
	// zero is midnight of day 0.
	zero  time.Time
	seed  uint64
	index int

	name, cleaver, operator string
	grade                   Grade
	typed, numbered, named  bool
	usage, splices, baro    bool

	kappa, density, humidity, temperature float64
	// lean is how much further the left end melts than the right, as a part.
	lean       float64
	arcsPerDay float64
	// tolerance is the machine's own in micrometres, offset the level that its
	// pairs have in common in log-percent.
	tolerance, offset float64
	// seldom is whether it calibrates on Mondays and Thursdays only.
	seldom bool
	home   int
	// firstArcs is what the first pair has burnt before day 0.
	firstArcs int64
	script    script
}

// The keys of a machine's streams.
const (
	natureKey = iota
	skyKey
	endsKey
	wearKey
	noiseKey
	peopleKey
	futureKey
	roleKey
	gradeKey
	lotKey
	spliceKey
	cleaverKey
)

// newNature draws a machine from its world.
func newNature(w *World, seed uint64, index int, zero time.Time) *nature {
	s := streamOf(seed, uint64(index), natureKey)
	n := &nature{
		world: w, zero: zero, seed: seed, index: index,
		name:       fmt.Sprintf("M-%05d", index+1),
		cleaver:    fmt.Sprintf("C-%d", index+1),
		operator:   fmt.Sprintf("crew-%d", index/2+1),
		arcsPerDay: s.around(w.ArcsPerDay, w.ArcsSpread),
		home:       int(s.uniform() * float64(len(w.Sites))),
	}
	n.setGrade(w.Grades.of(seed, index), s.chance(w.Grades.Typed))
	n.named, n.usage, n.splices, n.baro = s.chance(0.5), s.chance(w.Usage), s.chance(w.Splices), s.chance(w.Barometers)
	n.lean = 0.015 * s.normal()
	shares := make([]float64, len(w.Models))
	for i := range w.Models {
		shares[i] = w.Models[i].Share
	}
	n.become(&w.Models[s.pick(shares)], &s)
	n.seldom = s.chance(w.Seldom)
	if s.chance(w.Heavy) {
		n.arcsPerDay = s.around(300, 0.1)
	}
	return n
}

// become draws the machine from the population of a model.
func (n *nature) become(m *Model, s *stream) {
	n.model = m
	n.kappa = s.from(m.Kappa)
	n.density, n.humidity, n.temperature = s.from(m.Density), s.from(m.Humidity), s.from(m.Temperature)
	n.firstArcs = int64(n.world.FirstWear * m.ScatterArcs * s.uniform())
	n.tolerance, n.offset = m.Tolerance, m.Law.MachineOffset*s.normal()
	if s.chance(m.Law.Tight) {
		n.tolerance *= 0.75
	}
}

// of spreads the grades evenly: steps of the golden ratio fill the unit interval
// so that any number of machines comes close to the mix.
func (g Mix) of(seed uint64, index int) Grade {
	start := streamOf(seed, gradeKey)
	switch _, u := math.Modf(start.uniform() + float64(index)*(math.Phi-1)); {
	case u < g.Full:
		return Full
	case u < g.Full+g.Correction:
		return Correction
	default:
		return PassFail
	}
}

// setGrade says what the machine's records contain; only pass/fail machines have
// theirs typed, and what is typed is not numbered.
func (n *nature) setGrade(g Grade, typed bool) {
	n.grade = g
	n.typed = g == PassFail && typed
	n.numbered = !n.typed
}

// cleaverOn returns the machine's cleaver on a day, and whether it is always blunt.
func (n *nature) cleaverOn(day int) (name string, dull bool) {
	ends := &n.world.Ends
	if ends.Pool == 0 {
		return n.cleaver, false
	}
	week := streamOf(n.seed, uint64(n.index), cleaverKey, uint64(int64(day/7)))
	at := int(week.uniform() * float64(ends.Pool))
	return fmt.Sprintf("C-%d", at+1), at < ends.Dull
}

// effect is what the air adds to the required power, in log-percent.
func (n *nature) effect(a Air) float64 {
	t := a.terms()
	if n.model.Law.CurvedAir {
		cold, h := max(0, 10-t.TemperatureC), t.HumidityExcess
		return -100*n.density*t.LnDensity + n.humidity*h*math.Abs(h) + n.temperature*cold*cold
	}
	return -100*n.density*t.LnDensity + n.humidity*t.HumidityExcess + n.temperature*(t.TemperatureC-20)
}

// gain is the machine's on a day, after a pass or a fail.
func (n *nature) gain(day int, passed bool) float64 {
	switch m := n.model; {
	case passed:
		return m.PassGain
	case m.FirmwareDay > 0 && day >= m.FirmwareDay:
		return m.FirmwareGain
	default:
		return m.Gain
	}
}

// logPercent turns percent into 100·ln(1 + r/100), percent turns it back.
func logPercent(r float64) float64 { return 100 * math.Log1p(r/100) }
func percent(x float64) float64    { return 100 * math.Expm1(x/100) }
