package moor

import (
	"fmt"
	"math"

	"arcdrift/drift/blind"
)

// machine holds the constants of one machine, its work and its habits.
type machine struct {
	fleet *fleet
	model *model
	name  string
	seed  uint64

	perDensity, perVapour, perDegree float64
	programs                         []program
	offset, scatter                  float64
	crews                            []int
	sites                            []int8

	// work
	workDay, saturday, sunday float64
	idle, burst, unrest       float64
	arcs                      float64
	daySpread                 float64
	// sessions
	regular    bool
	everyDays  float64
	session    [2]float64 // chance on a working day, morning and midday
	afterMove  float64
	moves      float64 // a working day
	moveMidday float64
	changes    float64 // of program, a working day
	morning    int64   // seconds after local midnight

	joins, leaves int64 // days
	wornArcs      int64 // on the pair it joins with
	calendar      int64 // days between replacements by calendar, 0 for none
	calendarPhase int64
}

func drawMachine(f *fleet, w blind.Wish, i int) *machine {
	d := newDraw(w.Seed, ofMachine, int64(i))
	m := &machine{fleet: f, name: fmt.Sprintf("M-%02d", i+1), seed: hash(w.Seed, ofMachine, int64(i), 7)}
	shares := make([]float64, len(f.models))
	for j, x := range f.models {
		shares[j] = x.share
	}
	m.model = f.models[d.pick(shares...)]
	open := 1 - m.model.compensates
	m.perDensity = f.perDensity * open * d.between(0.8, 1.2)
	m.perVapour = f.perVapour * d.between(0.7, 1.3)
	m.perDegree = f.perDegree * d.between(0.6, 1.4)
	m.offset = d.NormFloat64() * 0.1 * m.model.limitPct / 100
	m.scatter = m.model.scatter * d.log(0.75, 1.35)
	m.drawPrograms(d, w.Programs)
	m.drawPlaces(d)
	m.drawWork(d, w.EveryDays)
	m.leaves = math.MaxInt64
	if d.coin(0.12) {
		m.joins = int64(d.between(0.05, 0.6) * float64(w.Days))
	}
	if d.coin(0.06) {
		m.leaves = m.joins + int64(d.between(0.4, 1)*float64(w.Days))
	}
	if d.coin(0.7) {
		m.wornArcs = int64(d.Float64() * 0.9 * m.model.life)
	} else {
		m.wornArcs = m.model.conditioning
	}
	if f.people.calendar > 0 && d.coin(0.8) {
		m.calendar = f.people.calendar
		m.calendarPhase = int64(d.Float64() * float64(m.calendar))
	}
	return m
}

func (m *machine) drawPrograms(d draw, wished int) {
	n := 1 + d.pick(6, 3, 1)
	order := d.Perm(len(m.model.programs))
	m.changes = d.log(0.02, 0.4)
	if wished > 0 {
		n = min(wished, len(order))
	}
	for _, j := range order[:n] {
		p := m.model.programs[j]
		p.offset += m.offset + d.NormFloat64()*0.05*m.model.limitPct/100
		m.programs = append(m.programs, p)
	}
}

func (m *machine) drawPlaces(d draw) {
	f := m.fleet
	for _, j := range d.Perm(len(f.sites))[:1+d.IntN(min(4, len(f.sites)))] {
		m.sites = append(m.sites, int8(j))
	}
	m.moves = d.log(0.01, 0.2)
	if len(m.sites) == 1 {
		m.moves = 0
	}
	m.moveMidday = d.between(0, 0.4)
	m.afterMove = d.between(0.5, 1)
	m.crews = []int{d.IntN(len(f.crews)), d.IntN(len(f.crews))}
}

func (m *machine) drawWork(d draw, wished float64) {
	m.workDay, m.saturday, m.sunday = d.between(0.6, 0.97), d.between(0, 0.5), d.between(0, 0.1)
	m.idle, m.burst, m.unrest = d.between(0, 0.25), d.between(0, 0.2), d.between(0.1, 0.6)
	m.arcs = m.fleet.arcsADay * d.log(0.5, 2)
	m.daySpread = d.between(0.2, 0.7)
	m.morning = int64(d.between(6.5, 8.3) * 3600)
	m.regular = d.coin(0.4)
	working := (5*m.workDay + m.saturday + m.sunday) / 7 * (1 - m.idle)
	a, b := d.between(1, 1.4), d.between(1.5, 4)
	c := d.log(4, 35)
	every := a / working
	switch d.pick(6, 3, 2) {
	case 1:
		every = b / working
	case 2:
		every = max(c, 1.5/working)
	}
	if wished > 0 {
		every = wished
	}
	m.regular = m.regular && every >= 3
	m.sessions(every, working)
}

// sessions sets the rhythm so that sessions are so many days apart in the mean,
// those after a move or another program among them; working is the share of days
// with work.
func (m *machine) sessions(every, working float64) {
	wanted := 1 / (every * working) // on a working day
	forced := m.moves * m.afterMove
	if len(m.programs) > 1 {
		forced += 0.7 * m.changes * m.afterMove
	}
	if most := wanted / 2; forced > most {
		m.afterMove *= most / forced
		forced = most
	}
	if m.regular {
		// Gaps end at this many days or, before, by chance at the forced rate.
		rate := max(forced*working, 1e-9)
		m.everyDays = -math.Log1p(-rate*every) / rate
		return
	}
	wanted -= forced
	m.session = [2]float64{min(wanted, 0.97), min(max(wanted-0.97, 0), 0.95)}
	m.everyDays = every
}

// shape is how required power wears over arcs.
type shape int

const (
	straight shape = iota
	bent
	saturating
	twoStage
	stairs
	wandering
	nearlyNone
)

func (s shape) String() string {
	return []string{"straight", "bent", "saturating", "two-stage", "stairs", "wandering", "nearly none"}[s]
}

// pair holds the constants of one pair of electrodes.
type pair struct {
	shape                     shape
	life, wear, bend, knee    float64
	wander                    float64 // at one arc
	stairRate, stairSize      float64
	growth                    float64
	growthPower, growthKnee   float64
	fresh, freshScatter, tau  float64
	cleanWear, cleanDirt      float64
	dirtRate, dirtShift       float64
	dirtSpread, dirtArcs      float64
	cleanLess                 float64
	serial                    string
	offset                    float64
	scatter                   float64
	tailShare, tailWidth, ses float64
}

// drawPair is the k-th pair of a machine.
func (m *machine) drawPair(k int32) *pair {
	d := newDraw(m.seed, ofPair, int64(k))
	o := m.model
	width := m.programs[0].width()
	p := &pair{
		shape: o.shape, life: o.life * d.log(0.65, 1.5), bend: min(max(o.bend*d.between(0.8, 1.25), 0.4), 2.3),
		knee: min(1.1, o.knee*d.between(0.7, 1.3)), growth: o.growth * d.log(0.6, 1.6),
		growthPower: o.growthPower, growthKnee: o.growthKnee * d.between(0.7, 1.3),
		fresh: o.fresh * width * d.between(0.3, 1.7), freshScatter: o.freshScatter * d.between(0.5, 1.5), tau: o.freshArcs,
		cleanWear: o.cleanWear * d.between(0.6, 1.3), cleanDirt: min(1, o.cleanDirt*d.between(0.7, 1.3)), cleanLess: o.cleanLess,
		dirtRate: o.dirtRate / 1000 * d.log(0.5, 2), dirtShift: o.dirtShift * width, dirtSpread: o.dirtSpread, dirtArcs: o.dirtArcs,
		offset: d.NormFloat64() * 0.3 * width, scatter: m.scatter * d.log(0.85, 1.2),
	}
	if d.coin(0.12) {
		p.shape = shape(d.IntN(int(nearlyNone) + 1))
	}
	p.wear = o.wear * d.log(0.5, 1.8) * d.sign(0.96)
	p.wander = width * d.between(0, 0.35) / math.Sqrt(p.life)
	switch p.shape {
	case wandering:
		p.wander = math.Abs(p.wear) * d.between(0.4, 0.9) / math.Sqrt(p.life)
		p.wear *= 0.3
	case stairs:
		n := d.between(3, 9)
		p.stairRate, p.stairSize = n/p.life, p.wear*0.8/n
		p.wear *= 0.2
	}
	f := m.fleet
	p.tailShare, p.tailWidth, p.ses = f.tailShare, f.tailWidth, f.sessionShare
	p.serial = fmt.Sprintf("E%04d", d.IntN(10000))
	return p
}

// worn is the shape of wear at a share of the pair's life.
func (p *pair) worn(z float64) float64 {
	switch p.shape {
	case bent:
		return math.Pow(z, p.bend)
	case saturating:
		return (1 - math.Exp(-z/p.knee)) / (1 - math.Exp(-1/p.knee))
	case twoStage:
		if z < p.knee {
			return 0.3 * z
		}
		return 0.3*p.knee + 1.6*(z-p.knee)
	}
	return z
}

// scatterAt is the standard deviation of an attempt, all parts of it, as a share
// of a new pair's, at an age.
func (p *pair) scatterAt(z float64) float64 {
	if p.growthKnee > 0 {
		return 1 + 0.2*p.growth*z + 1.8*p.growth*max(0, z-p.growthKnee)
	}
	return 1 + p.growth*math.Pow(z, p.growthPower)
}
