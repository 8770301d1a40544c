package tide

import (
	"fmt"
	"math"

	"arcdrift/drift/blind"
)

// fleet is one contractor's: what its machines share.
type fleet struct {
	wish    blind.Wish
	climate climate
	sites   []site
	models  []model
	crews   crews
	luck    chance
	// attempts is the limit of a session: four are common practice.
	attempts int
}

// crews is how the people of a contractor work; each machine's crew varies it.
type crews struct {
	every      float64 // days between sessions, median
	arcs       float64 // a working day, median
	life       float64 // arcs of a pair, median
	bad        float64 // share of ends that are not well prepared, with a new blade
	blunt      float64 // how many times as many with a spent blade
	reuse      float64 // share of later attempts without fresh ends
	replaceAt  float64 // arcs after which the contractor has pairs replaced
	cleanEvery float64 // arcs between cleanings, 0 if nobody plans them
	inspect    float64 // inspections a day
	afterMove  float64 // chance of a check after a move
	weekDays   int
	travel     float64 // moves per working day
	hidden     float64 // share of services that nobody writes down
	scatter    float64 // of attempts as a share of tolerance, median
}

func drawFleet(w blind.Wish) *fleet {
	luck := chance{own: scramble(w.Seed ^ 0x7469_6465), region: scramble(w.Seed ^ 0x736b_79)}
	r := luck.of(ofFleet, 0, 0)
	f := &fleet{wish: w, luck: luck, climate: drawClimate(&r), sites: drawSites(&r, r.whole(3, 8))}
	f.attempts = []int{4, 3, 5}[r.pick(0.85, 0.08, 0.07)]
	f.crews = drawCrews(&r)
	f.models = make([]model, r.whole(1, 3))
	for i := range f.models {
		f.models[i] = drawModel(luck.of(ofModel, i, 0), i, f.crews)
	}
	return f
}

func drawCrews(r *stream) crews {
	c := crews{
		arcs: r.between(28, 60), life: r.between(1500, 3000),
		bad: r.between(0.01, 0.04), blunt: r.between(1.3, 3), reuse: r.between(0, 0.05),
		inspect: r.between(0.005, 0.03), afterMove: r.between(0.4, 0.95), weekDays: 5 + r.pick(0.75, 0.25),
		travel: r.between(0.02, 0.12), hidden: r.between(0.02, 0.15), scatter: r.between(0.2, 0.32),
	}
	switch r.pick(0.5, 0.3, 0.15, 0.05) { // daily, every few days, weekly, monthly
	case 0:
		c.every = r.between(1.4, 2.2)
	case 1:
		c.every = r.between(2.2, 5)
	case 2:
		c.every = r.between(5, 9)
	default:
		c.every = r.between(18, 30)
	}
	c.replaceAt = c.life * r.between(0.6, 1.15)
	if r.yes(0.6) {
		c.cleanEvery = r.between(400, 1200)
	}
	return c
}

// mostPrograms is how many programs a machine can have.
const mostPrograms = 8

// model is a make of machine.
type model struct {
	name     string
	programs []program
	breath   breath
	wear     wearing
	correct  correction
	scatter  float64 // as a share of tolerance
	today    float64 // what attempts of one session share, as a share of scatter
	jump     float64 // scatter of an arc that jumps, as a multiple
	dirt     float64 // required power per deposit: 1, or negative where deposits help the arc
	pixel    float64 // µm: the step of its camera
	noise    float64 // µm: of one end
	lopsided float64 // share by which one end melts further
	inOne    bool    // one setting serves all programs
	records  [3]float64
}

// program is how a model melts one kind of fibre.
type program struct {
	name              string
	target, tolerance float64 // µm
	start             float64 // power at which glass starts to melt, as a share of required power
	curve             float64 // meltback grows with power above the start to this power
	offset            float64 // required power beside the model's other programs
}

// steepness is the relative change of meltback for a relative change of power.
func (p *program) steepness() float64 { return p.curve / (1 - p.start) }

// correction is how a model corrects itself.
type correction struct {
	gain      float64 // share of the error that it takes back
	misjudged float64 // its own idea of steepness over the true one
	dead      float64 // %: errors that it leaves
	most      float64 // %: at one time
	step      float64 // %: the smallest change
	limit     float64 // %: furthest from nominal
	trims     bool    // corrects after a pass too
}

func drawModel(r stream, i int, c crews) model {
	m := model{
		name: "type-" + string(rune('a'+i)), breath: drawBreath(&r), wear: drawWearing(&r, c.life),
		scatter: r.about(c.scatter, 0.1), today: r.between(0.2, 0.6), jump: r.between(2.2, 3.5), dirt: 1,
		pixel: []float64{0.1, 0.5, 1}[r.pick(2, 2, 1)], noise: r.between(0.4, 1.5), lopsided: r.between(0.005, 0.03),
		inOne: r.yes(0.6),
		correct: correction{
			gain: r.between(0.55, 1), misjudged: r.about(1, 0.12), dead: []float64{0, r.between(0.2, 0.8)}[r.pick(1, 1)],
			most: r.between(2, 6), step: []float64{0.05, 0.1, 0.25, 0.5}[r.pick(1, 3, 2, 2)],
			limit: math.Round(r.between(9, 20)), trims: r.yes(0.6),
		},
	}
	if r.yes(0.2) {
		m.dirt = r.between(-0.8, -0.3)
	}
	target := r.between(110, 320)
	share := r.between(0.1, 0.17)
	m.programs = make([]program, mostPrograms)
	for i := range m.programs {
		t := math.Round(target * r.about(1, 0.08*float64(min(i, 1))))
		m.programs[i] = program{
			name: "fibre-" + string(rune('a'+i)), target: t, tolerance: max(4, math.Round(t*share)),
			start: r.between(0.5, 0.68), curve: r.between(1, 1.4),
		}
	}
	// What machines tell goes with the model: full, correction only, pass or fail only.
	m.records = [3]float64{r.between(1, 4), r.between(0, 1.5), r.between(0, 0.8)}
	return m
}

// machine is everything that stays the same in one machine.
type machine struct {
	fleet    *fleet
	model    *model
	name     string
	luck     chance
	offset   float64 // required power beside nominal, of this machine
	programs []program
	breath   breath
	wear     wearing
	correct  correction
	scatter  float64 // of a new pair, logarithm of power
	dirt     float64
	crew     crews
	checks   float64 // sessions per working day
	weekOff  int     // shifts the week: crews do not all rest on the same days
	idle     float64 // share of working days without work
	changes  float64 // of program, per working day
	blade    float64 // cleaves until somebody turns the blade
	resets   float64 // chance that the counter is set back with a new pair
	settles  int     // arcs burnt on a new pair before its first check
}

func (f *fleet) machine(i int) *machine {
	luck := chance{own: streamSeed(f.luck.own, i), region: f.luck.region}
	r := luck.of(ofMachine, 0, 0)
	k := &f.models[r.whole(0, len(f.models)-1)]
	m := &machine{
		fleet: f, model: k, name: fmt.Sprintf("T-%02d", i+1), luck: luck, offset: 0.02 * r.normal(),
		breath: k.breath.of(&r), wear: k.wear.of(&r), correct: k.correct, dirt: k.dirt,
		weekOff: r.pick(0.9, 0.05, 0.05), idle: r.between(0.03, 0.2), changes: r.between(0.04, 0.25),
		blade: r.between(1000, 3000), resets: []float64{1, 0.7, 0}[r.pick(0.8, 0.12, 0.08)], settles: r.whole(0, 30),
	}
	m.correct.misjudged = r.about(k.correct.misjudged, 0.04)
	n := 1 + r.pick(0.6, 0.25, 0.15)
	if f.wish.Programs > 0 {
		n = min(f.wish.Programs, len(k.programs))
	}
	own := 0.015
	if k.inOne {
		own = 0.005 // one setting can only serve programs that were matched to each other
	}
	for p := range n {
		it := k.programs[p]
		it.offset = own * r.normal() * float64(min(p, 1))
		m.programs = append(m.programs, it)
	}
	first := &k.programs[0]
	m.scatter = r.about(k.scatter, 0.12) * first.tolerance / first.target / first.steepness()
	m.crew = f.crews.of(&r)
	m.checks = m.rate(&r)
	// Who seldom checks does not do so after each move either.
	m.crew.afterMove = min(m.crew.afterMove, 0.6*m.checks/m.crew.travel)
	return m
}

func streamSeed(seed uint64, i int) uint64 { return scramble(seed + uint64(i+1)*0x9e3779b97f4a7c15) }

// of varies the contractor's ways for the crew of one machine.
func (c crews) of(r *stream) crews {
	c.every = r.about(c.every, 0.2)
	c.arcs = r.about(c.arcs, 0.25)
	c.bad = min(0.15, r.about(c.bad, 0.35))
	c.reuse = r.about(c.reuse, 0.5)
	c.afterMove = min(1, r.about(c.afterMove, 0.15))
	c.replaceAt = r.about(c.replaceAt, 0.15)
	c.cleanEvery = r.about(c.cleanEvery, 0.2)
	c.travel = r.about(c.travel, 0.4)
	return c
}

// rate is how many sessions a working day has on average, so that the wished days
// lie between two of them; two a day are the most that a crew makes of itself.
func (m *machine) rate(r *stream) float64 {
	every := m.crew.every
	if e := m.fleet.wish.EveryDays; e > 0 {
		every = r.about(e, 0.1)
	}
	working := float64(m.crew.weekDays) / 7 * (1 - m.idle)
	return min(2, 1/(every*working))
}
