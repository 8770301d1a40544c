package synth

import (
	"math"
	"time"

	"arcdrift/drift"
)

// state is all that changes in a machine's life, its streams of chance
// included: a copy of it, run on, lives the same life.
type state struct {
	day   int
	phase phase
	today plan

	site    int
	weather weather
	blunt   bool

	setting float64 // percent
	// recent are the last estimates of required power, in percent, of a machine
	// that averages; results counts them since the pair is new.
	recent  [3]float64
	results int
	// common is the error common to all attempts of the session.
	common float64
	pair   pair
	pairs  int
	// carried is what the counter shows above the pair's own arcs.
	carried int64
	// doubted says that the last session had no pass and the crew went on.
	doubted bool
	// called is what the bench has been asked for, "" for nothing.
	called drift.Action
	seq    int64

	sky, ends, wear, noise, people stream
}

// plan is the day as dawn knows it.
type plan struct {
	works bool
	late  time.Duration
	arcs  int64
	// to is the site to move to at noon, -1 for none; check is whether the crew
	// calibrates there.
	to    int
	check bool
}

// phase is the next thing of a day.
type phase int

const (
	morning phase = iota
	forenoonBench
	noon
	arrival
	afternoonBench
	evening
)

// Times of day.
const (
	morningAt        = 6*time.Hour + 30*time.Minute
	forenoonBenchAt  = 8 * time.Hour
	noonAt           = 11*time.Hour + 30*time.Minute
	arrivalAt        = 12 * time.Hour
	afternoonBenchAt = 14 * time.Hour
	eveningAt        = 17 * time.Hour
)

// visit is one phase of a day.
type visit struct {
	happens bool
	phase   phase
	time    time.Time
	session bool // a calibration is due
	trigger string
	dirt    bool // contaminated since the visit before
	from    int  // the site it came from, at an arrival
}

// first is the state on the eve of day 0: a pair somewhere in its life and a
// machine set about right for it.
func (n *nature) first() state {
	key := func(k uint64) stream { return streamOf(n.seed, uint64(n.index), k) }
	s := state{sky: key(skyKey), ends: key(endsKey), wear: key(wearKey), noise: key(noiseKey), people: key(peopleKey), site: n.home}
	s.weather = weather{temperatureSD * s.sky.normal(), humiditySD * s.sky.normal(), pressureSD * s.sky.normal()}
	s.pair = n.newPair(&s.wear, -int(float64(n.firstArcs)/n.arcsPerDay))
	s.pair.arcs, s.pair.deposit = n.firstArcs, float64(n.firstArcs)
	s.pair.wander = n.model.Wander * math.Sqrt(float64(n.firstArcs)/1000) * s.wear.normal()
	required := s.pair.level(n.model) + n.effect(n.air(&s, n.zero.Add(morningAt)))
	s.setting = n.within(percent(required) + s.noise.normal())
	return s
}

// next goes through one phase of a day. Nothing happens on days off, at the bench
// unless it was called, and on arrival without a move.
func (n *nature) next(s *state) visit {
	at := s.phase
	s.phase = (at + 1) % (evening + 1)
	if at == morning {
		n.dawn(s)
	}
	v := visit{phase: at, from: s.site}
	if s.today.works {
		n.do(s, &v)
	}
	if at == evening {
		s.day++
	}
	return v
}

func (n *nature) do(s *state, v *visit) {
	start := n.zero.AddDate(0, 0, s.day).Add(s.today.late)
	v.happens = true
	switch v.phase {
	case morning:
		v.time, v.session, v.trigger = start.Add(morningAt), n.calibrates(s.day, start), "start-of-day"
	case forenoonBench:
		v.time, v.happens = start.Add(forenoonBenchAt), s.called != ""
	case noon:
		v.time = start.Add(noonAt)
		v.dirt = n.work(s, s.today.arcs/2)
	case arrival:
		v.time, v.trigger = start.Add(arrivalAt), "moved"
		v.happens = s.today.to >= 0
		if v.happens {
			s.site, v.session = s.today.to, s.today.check
		}
	case afternoonBench:
		v.time, v.happens = start.Add(afternoonBenchAt), s.called != ""
	case evening:
		v.time = start.Add(eveningAt)
		v.dirt = n.work(s, s.today.arcs-s.today.arcs/2)
		n.jolt(s)
	}
}

// calibrates says whether the machine does so on a morning of work.
func (n *nature) calibrates(day int, morning time.Time) bool {
	if every := n.world.CheckEvery; every > 0 && (day+n.index)%every != 0 {
		return false
	}
	if !n.seldom {
		return true
	}
	weekday := morning.Weekday()
	return weekday == time.Monday || weekday == time.Thursday
}

// work makes arcs at the present site and says whether the pair was soiled.
func (n *nature) work(s *state, arcs int64) bool {
	return s.pair.advance(n.model, arcs, n.world.Sites[s.site].Dirt, &s.wear)
}

// dawn draws the day's weather, plan and cleaver.
func (n *nature) dawn(s *state) {
	w := n.world
	s.weather.dawn(&s.sky)
	working := 0.95
	switch n.zero.AddDate(0, 0, s.day).Weekday() {
	case time.Saturday:
		working = 0.3
	case time.Sunday:
		working = 0.05
	}
	s.today = plan{
		works: s.sky.chance(working),
		late:  time.Duration(s.sky.uniform()*45*60) * time.Second,
		arcs:  int64(s.sky.around(n.arcsPerDay, w.DaySpread)),
		to:    n.move(s),
		check: s.sky.chance(w.MoveChecked),
	}
	turn := 1 / w.Ends.BluntEvery
	if s.blunt {
		turn = 1 / w.Ends.BluntDays
	}
	if s.ends.chance(turn) {
		s.blunt = !s.blunt
	}
	n.script.follow(n, s)
}

// move draws where the crew goes at noon: seldom away, sooner back home.
func (n *nature) move(s *state) int {
	u, sites := s.sky.uniform(), len(n.world.Sites)
	other := (n.home + 1 + int(s.sky.uniform()*float64(max(sites-1, 1)))) % sites
	switch {
	case s.site != n.home && u < 0.3:
		return n.home
	case s.site == n.home && other != n.home && u < n.world.MoveRate:
		return other
	default:
		return -1
	}
}
