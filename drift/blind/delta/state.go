package delta

import (
	"math"

	"arcdrift/drift/blind"
)

// machine is one machine of the fleet: what does not change.
type machine struct {
	name     string
	key      uint64
	model    *model
	land     *land
	crew     *crew
	bench    *bench
	physics  physics
	programs []program

	rate, burst float64 // arcs on a working day; how uneven days are
	idle        float64 // chance of an idle week
	every       float64 // days between sessions
	forced      bool    // every is asked for and holds on any day
	change      float64 // chance of changing the program on a day
	join, leave int     // days; leave after the end if it stays
	worn        int     // arcs on the pair at the start
	warmth      float64 // minutes in which its body follows the air
	neverReset  bool    // its counter never goes back
	first       state
}

// model is a kind of machine.
type model struct {
	name       string
	share      float64
	physics    physics
	programs   []program
	limit      float64 // % from nominal
	attempts   int     // attempt limit
	firmware   [2]firmware
	update     int  // day of the change of firmware; -1 none
	ownSetting bool // each program has its own setting
	zeroOnNew  bool // a new pair puts the setting back to nominal
}

// land is what all machines share.
type land struct {
	key     uint64
	start   int64 // seconds of Unix time
	weekday int   // of the first day, Sunday is 0
	climate climate
	sites   []site
}

// kind is what a task of the day is.
type kind uint8

const (
	doArrive kind = iota
	doCalibrate
	doProgram
	doWork
	doService
)

// reason is why a session or a service happens.
type reason uint8

const (
	whyDay reason = iota
	whyMoved
	whyWeather
	whyService
	whyOther
	whyFailed
	whyAge
	whyRoutine
)

// task is one thing on a day's plan.
type task struct {
	at   int64 // second of the day
	n    int   // arcs, or the number of the program
	kind kind
	why  reason
}

// plan is a day's, in order of time.
type plan struct {
	tasks [14]task
	n     int
}

// add puts a task in its place; a full day, or the night, takes no more.
func (p *plan) add(t task) {
	if p.n == len(p.tasks) || t.at > 80000 {
		return
	}
	i := p.n
	for i > 0 && p.tasks[i-1].at > t.at {
		p.tasks[i] = p.tasks[i-1]
		i--
	}
	p.tasks[i] = t
	p.n++
}

// state is a machine's whole condition. It is a plain value: a copy is a branch.
type state struct {
	day     int
	item    int   // next task of the plan
	last    int64 // second of the day of the last event
	dawn    int64 // second of the day since which the body follows the air
	plan    plan
	weather weather

	site      int
	stayUntil int     // day
	siteSeen  int     // the site at the last arrival
	tempSeen  float64 // at the last arrival or session
	lastTemp  float64 // at the last session
	busy      float64 // this week's factor on work; 0 is an idle week
	due       float64 // day of the next session

	pair    pair
	counter int64 // what the counter shows
	setting [maxPrograms]float64
	program int

	// The session in progress.
	attempt   int
	found     float64 // setting as found
	arcsFound int64   // arcs of the pair when it began
	spacing   int64   // seconds

	people standing
}

// next is the moment of the next event, in seconds since the start.
func (st *state) next() int64 {
	base := int64(st.day) * daySeconds
	if st.attempt > 0 {
		return base + st.last + st.spacing
	}
	if st.item < st.plan.n {
		return base + max(st.plan.tasks[st.item].at, st.last+1)
	}
	return base + max(daySeconds, st.last+1)
}

const daySeconds = 86400

// index is where the setting in force is kept.
func (m *machine) index(st *state) int {
	if m.model.ownSetting {
		return st.program
	}
	return 0
}

// air is what the machine stands in at a moment of its day.
func (m *machine) air(st *state, second int64) blind.Air {
	return m.land.climate.around(&m.land.sites[st.site], st.weather, st.day, second, m.crew.heater)
}

// body is the machine's own temperature: it follows the air from where it spent the
// night.
func (m *machine) body(st *state, air blind.Air, second int64) float64 {
	store := 17.0
	if !m.crew.warmNight {
		store = m.land.climate.outside(&m.land.sites[st.site], st.weather, st.day, -1)
	}
	minutes := float64(max(0, second-st.dawn)) / 60
	return air.TemperatureC + (store-air.TemperatureC)*math.Exp(-minutes/m.warmth)
}

// fit puts a new pair in.
func (m *machine) fit(st *state, c *chance) {
	st.people.pairs++
	c.on(m.key, forPair, st.people.pairs)
	st.pair = newPair(&m.physics, c.dice)
	st.people.cleanings, st.people.cleanedAt = 0, 0
	if m.model.zeroOnNew {
		clear(st.setting[:])
	}
}

// weekday is 0 on Sunday.
func (m *machine) weekday(day int) int { return (m.land.weekday + day) % 7 }

// sent is the site the crew goes to next.
func (m *machine) sent(day int, c *chance) int {
	season := m.land.climate.season(day)
	var weights [maxSites]float64
	for k, i := range m.crew.sites {
		s := &m.land.sites[i]
		weights[k] = s.attend
		if m.crew.summer && s.altitude > 1000 && season < -0.2 {
			weights[k] *= 0.1
		}
	}
	return m.crew.sites[c.one(weights[:len(m.crew.sites)]...)]
}

// maxPrograms is how many programs a machine changes between at most.
const maxPrograms = 6

// maxSites is how many places one crew goes to at most.
const maxSites = 8
