package moor

import (
	"fmt"
	"math"
	"time"

	"arcdrift/drift/blind"
)

// fleet holds what all machines share.
type fleet struct {
	start        time.Time
	days         int64
	clock        clockwork
	logReference float64

	life     float64 // arcs, the scale on which pairs wear
	arcsADay float64
	limit    int // attempts of a session

	perDensity, perVapour, perDegree float64
	tailShare, tailWidth             float64
	sessionShare                     float64 // of the variance of an attempt

	sites    []site
	crews    []crew
	models   []*model
	machines []*machine
	people   people
	setups   draw
}

// crew is a few people with a cleaver.
type crew struct {
	name, cleaver string
	seed          uint64
	spoils        float64 // chance of a bad end at an attempt
	blunt         float64 // the same in a bout with a blunt blade
	bouts         float64 // chance of a bout in a spell of days
	spell         int64   // days
	oneSided      float64
	high          float64 // chance that a bad end melts back more than it should
	size          float64
	lazy          float64 // chance of going on with the same ends
	stubborn      float64 // chance of one more attempt beyond the limit
}

// program is a fibre program on one model.
type program struct {
	name      string
	target    float64 // µm
	tolerance float64 // µm
	exponent  float64 // of meltback against power
	gain      float64
	offset    float64 // logarithm of required power
	lo, hi    float64 // power against required power, in logarithms, that passes
}

// width is the half width of what passes, in logarithms of power.
func (p *program) width() float64 { return (p.hi - p.lo) / 2 }

// model is a make and type.
type model struct {
	name                  string
	share                 float64
	shape                 shape
	life, wear, bend      float64
	knee                  float64
	scatter               float64
	growth, growthPower   float64
	growthKnee            float64
	limitPct              float64
	gain, deadBand        float64 // dead band as a share of the tolerance
	step, maxStep         float64 // percent
	fixedStep             bool
	holds                 bool // near its limit it does nothing instead of going there
	afterPass             bool
	compensates           float64
	resets                bool // a new pair starts at nominal
	programs              []program
	fresh, freshScatter   float64 // a new pair's offset in widths, and its scatter
	freshArcs             float64
	conditioning          int64
	cleanWear, cleanDirt  float64
	cleanLess             float64
	dirtRate              float64 // a thousand arcs
	dirtShift, dirtSpread float64
	dirtArcs              float64 // over which dirt burns off; 0 for never
}

func drawFleet(w blind.Wish) *fleet {
	d := newDraw(w.Seed, ofSite, -1)
	f := &fleet{start: w.Start, days: int64(w.Days), logReference: logReference()}
	zones := []int64{0, 3600, 2 * 3600, 3 * 3600, -4 * 3600, -6 * 3600}
	f.clock = clockwork{yearDay: int64(w.Start.UTC().YearDay()), weekday: int64(w.Start.UTC().Weekday()), zone: zones[d.IntN(len(zones))]}
	f.life = d.log(1000, 5500)
	f.arcsADay = min(max(f.life/d.log(35, 130), 8), 70)
	f.limit = []int{4, 3, 5, 6}[d.pick(75, 10, 10, 5)]
	f.perDensity = -d.log(0.03, 0.4)
	if d.coin(0.15) {
		f.perDensity = -f.perDensity / 2
	}
	f.perVapour = d.sign(0.5) * d.log(0.0002, 0.002)
	f.perDegree = d.sign(0.5) * d.log(0.0001, 0.0012)
	f.tailWidth = d.between(2, 4)
	if d.coin(0.45) {
		f.tailShare = d.log(0.01, 0.08)
	}
	f.sessionShare = d.between(0, 0.35)
	f.drawSites(d, w.Seed)
	f.drawCrews(d, w.Seed, w.Machines)
	f.people = drawPeople(d, f)
	for i := range 1 + d.pick(2, 4, 3, 2) {
		f.models = append(f.models, drawModel(f, newDraw(w.Seed, ofModel, int64(i)), i))
	}
	for i := range w.Machines {
		f.machines = append(f.machines, drawMachine(f, w, i))
	}
	f.setups = newDraw(w.Seed, ofTelling, -1)
	return f
}

func (f *fleet) drawSites(d draw, seed uint64) {
	names := []string{"quay", "mill", "moor", "ridge", "tarn", "fell", "weir", "quarry"}
	coast := d.between(4, 24)
	season := d.between(3, 14)
	shelter := d.between(0.3, 1)
	for i := range 3 + d.IntN(6) {
		s := site{name: names[i], seed: hash(seed, ofSite, int64(i), 0)}
		switch d.pick(5, 4, 2) {
		case 0:
			s.altitude = d.between(0, 250)
		case 1:
			s.altitude = d.between(200, 1200)
		default:
			s.altitude = d.between(900, 2900)
		}
		s.altitude = math.Round(s.altitude)
		s.pressure = standardPressure(s.altitude)
		s.mean = coast - 0.0065*s.altitude + d.NormFloat64()
		s.season = season * d.between(0.8, 1.25)
		s.daily = d.between(1, 6)
		s.noise = d.between(1.5, 4.5)
		s.shelter = min(1, shelter*d.between(0.7, 1.4))
		s.humidity = d.between(40, 82)
		s.humid = d.between(4, 15)
		s.unrest = d.between(0.004, 0.012)
		f.sites = append(f.sites, s)
	}
}

func (f *fleet) drawCrews(d draw, seed uint64, machines int) {
	n := max(2, int(float64(machines)*d.between(0.2, 0.7)))
	spoils, blunt, bouts := d.log(0.003, 0.03), d.between(0.12, 0.5), d.between(0, 0.12)
	lazy, stubborn := d.between(0, 0.1), d.between(0, 0.3)
	oneSided, high := d.between(0.3, 1), d.between(0.15, 0.85)
	for i := range n {
		f.crews = append(f.crews, crew{
			name: fmt.Sprintf("crew %d", i+1), cleaver: fmt.Sprintf("cl-%02d", i+1), seed: hash(seed, ofCrew, int64(i), 0),
			spoils: min(0.12, spoils*d.log(0.3, 3)), blunt: min(0.7, blunt*d.between(0.6, 1.4)),
			bouts: bouts * d.between(0, 2), spell: int64(d.between(12, 40)),
			oneSided: oneSided, high: min(0.95, high*d.between(0.7, 1.3)), size: d.between(0.12, 0.5),
			lazy: lazy * d.between(0, 2), stubborn: stubborn * d.between(0, 2),
		})
	}
}

func drawModel(f *fleet, d draw, i int) *model {
	m := &model{
		name: []string{"type-m", "type-n", "type-o", "type-p"}[i], share: d.log(0.2, 1),
		shape: shape(d.pick(4, 3, 2, 2, 2, 2, 1)), life: f.life * d.log(0.6, 1.7),
		bend: d.log(0.5, 2), knee: d.between(0.3, 0.9),
		gain: d.between(0.3, 1.6), deadBand: d.between(0, 0.5),
		step: []float64{0.01, 0.1, 0.2, 0.5}[d.pick(2, 4, 2, 2)], fixedStep: d.coin(0.12), holds: d.coin(0.35),
		afterPass: d.coin(0.4), resets: d.coin(0.2),
		growthPower: d.log(0.6, 2.5), freshArcs: d.log(6, 60), fresh: d.NormFloat64() * 0.6, freshScatter: d.between(0, 1.2),
		cleanWear: d.between(0.05, 0.7), cleanDirt: d.between(0.4, 1), cleanLess: d.between(0.4, 0.9),
		dirtRate: d.log(0.02, 0.5), dirtShift: d.between(0, 1), dirtSpread: d.between(0.1, 1.2),
	}
	if d.coin(0.35) {
		m.dirtArcs = d.log(100, 2000)
	}
	if d.coin(0.3) {
		m.compensates = d.between(0.4, 1.1)
	}
	if d.coin(0.5) {
		m.conditioning = int64(d.between(5, 40))
	}
	if d.coin(0.35) {
		m.growthKnee = d.between(0.4, 1.1)
	}
	m.growth = d.log(0.2, 2)
	width := d.log(0.025, 0.085)
	m.wear = d.sign(0.65) * d.log(0.3, 4) * width
	m.limitPct = math.Round(min(max(100*math.Abs(m.wear)*d.log(0.6, 6), 4)+f.room(m.compensates), 30))
	if m.shape == nearlyNone {
		m.wear = d.NormFloat64() * 0.1 * width
	}
	m.maxStep = []float64{60, 5, 3, 2}[d.pick(3, 2, 2, 1)]
	m.scatter = width / d.between(2.9, 6)
	for _, name := range []string{"single-mode", "bend-tolerant", "multimode"} {
		m.programs = append(m.programs, drawProgram(m, d, name, width*d.between(0.85, 1.4)))
	}
	m.step = min(m.step, math.Floor(width*100/2*100)/100)
	return m
}

// room is what a maker leaves within the limit for the air of the sites, in percent.
func (f *fleet) room(compensates float64) float64 {
	high := 0.0
	for _, s := range f.sites {
		high = max(high, s.altitude)
	}
	return 100 * math.Abs(f.perDensity*(1-compensates)) * high / 8400
}

func drawProgram(m *model, d draw, name string, width float64) program {
	p := program{name: name, target: math.Round(d.log(50, 420)), exponent: d.between(1.3, 3), gain: m.gain * d.between(0.8, 1.2)}
	p.gain = min(max(p.gain, 0.3), 1.6)
	share := min(0.45, math.Expm1(p.exponent*width))
	p.tolerance = max(0.5, math.Round(p.target*share*2)/2)
	p.lo = math.Log1p(-p.tolerance/p.target) / p.exponent
	p.hi = math.Log1p(p.tolerance/p.target) / p.exponent
	p.offset = d.NormFloat64() * 0.16 * m.limitPct / 100
	return p
}
