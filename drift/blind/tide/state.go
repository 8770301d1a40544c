package tide

import (
	"math"
	"time"

	"arcdrift/drift/blind"
)

// state is everything that changes in a machine. It is a value: a copy goes its
// own way.
type state struct {
	day    int
	phase  phase
	second int64 // since the start of the history, when something last happened

	sky     sky
	site    int
	air     blind.Air
	checked blind.Air // the air of the last session
	moved   bool      // since the last session
	program int

	pair         pair
	pairs        int   // fitted before this one
	arcs         int64 // on the pair
	ahead        int64 // by how much the counter is ahead of the pair
	sinceCleaned int64
	wander       float64
	soil, fresh  float64 // deposit that stays, and that burns off
	unsettled    float64 // 1 for a new pair, 0 for one that has settled
	blade        float64 // cleaves since the blade was turned

	setting  [mostPrograms]float64 // %: of each program
	credit   float64               // sessions that are due by the crew's habit
	serviced bool                  // since the last session
	hard     int                   // sessions in a row with a failed first attempt

	// Within a session:
	tried   int     // attempts made
	round   int     // sessions in a row at this time of day
	today   float64 // what its attempts share
	trigger string
}

// phase is a part of a working day.
type phase int

const (
	morning phase = iota
	firstCheck
	firstWork
	noon
	secondCheck
	secondWork
	evening
)

// What can happen in a step.
type happening int

const (
	nothing happening = iota
	weather           // the air of another half day
	arrival           // at another place
	tried             // an attempt
	worked            // arcs of work
	served            // the pair was cleaned, replaced or inspected
)

// event is what happened in a step, and when.
type event struct {
	what    happening
	attempt attempt
	ended   bool // the attempt ended its session
	service service
	splices int
}

// service is what was done to a pair.
type service struct {
	action  string
	finding string
	hidden  bool  // nobody writes it down
	before  int64 // what the counter showed
}

const (
	minute = int64(60)
	hour   = 60 * minute
	aDay   = 24 * hour
)

// at sets the clock to a time of the day that the state is in.
func (s *state) at(second float64) { s.second = int64(s.day)*aDay + int64(second) }

func (s *state) later(minutes float64) { s.second += int64(60 * minutes) }

// step lets the next thing happen. Alone means that nobody cleans or replaces the
// pair, and that ends are well prepared.
func (m *machine) step(s *state, c chance, alone bool) event {
	switch s.phase {
	case morning:
		return m.dawn(s, c)
	case noon:
		return m.midday(s, c)
	case firstCheck, secondCheck:
		return m.check(s, c, alone)
	case firstWork, secondWork:
		return m.work(s, c)
	default:
		return m.endDay(s, c, alone)
	}
}

// dawn begins a day: weather, perhaps another place and another program.
func (m *machine) dawn(s *state, c chance) event {
	s.sky = s.sky.pass(c.weather(s.day))
	r := c.of(ofMorning, s.day, 0)
	s.at(float64(5*hour+30*minute) + float64(50*minute)*r.unit())
	e := event{what: weather}
	if !m.works(s.day) || r.yes(m.idle) {
		s.breathe(m, 0)
		s.day++
		return e
	}
	s.credit += m.checks * (0.6 + 0.8*r.unit())
	if s.move(m, &r, m.crew.travel*0.75) {
		e.what = arrival
	}
	if n := len(m.programs); n > 1 && r.yes(m.changes) {
		s.program = (s.program + 1 + int(r.next()%uint64(n-1))) % n
	}
	s.breathe(m, 0)
	s.phase = firstCheck
	return e
}

// works is whether a day is a working day.
func (m *machine) works(day int) bool {
	weekday := (int(m.fleet.wish.Start.Weekday()) + day + m.weekOff) % 7
	weekday = (weekday + 7) % 7
	return weekday != int(time.Sunday) && (m.crew.weekDays > 5 || weekday != int(time.Saturday))
}

func (m *machine) midday(s *state, c chance) event {
	r := c.of(ofNoon, s.day, 0)
	s.at(float64(12*hour+5*minute) + float64(20*minute)*r.unit())
	s.phase = secondCheck
	e := event{what: weather}
	if s.move(m, &r, m.crew.travel*0.25) {
		e.what = arrival
	}
	s.breathe(m, 1)
	return e
}

// move brings the machine to another place by chance.
func (s *state) move(m *machine, r *stream, chance float64) bool {
	goes, by := r.yes(chance), r.whole(1, len(m.fleet.sites)-1)
	if !goes {
		return false
	}
	s.site = (s.site + by) % len(m.fleet.sites)
	s.moved = true
	return true
}

// breathe puts the machine into the air of its place.
func (s *state) breathe(m *machine, hour float64) {
	day := float64(m.fleet.wish.Start.YearDay() + s.day)
	s.air = m.fleet.climate.airAt(m.fleet.sites[s.site], s.sky, day, hour)
}

// work burns the arcs of half a day.
func (m *machine) work(s *state, c chance) event {
	r := c.of(ofWork, s.day, int(s.phase))
	arcs := int(math.Round(r.about(m.crew.arcs/2, 0.35)))
	if s.phase == firstWork {
		s.at(float64(11*hour+30*minute) + float64(25*minute)*r.unit())
		s.phase = noon
	} else {
		s.at(float64(16*hour+45*minute) + float64(45*minute)*r.unit())
		s.phase = evening
	}
	m.burn(s, arcs, &r)
	// Some splices take a second arc or are made again.
	return event{what: worked, splices: int(float64(arcs) * (0.85 + 0.12*r.unit()))}
}

// check decides whether there is a session, and makes its next attempt.
func (m *machine) check(s *state, c chance, alone bool) event {
	slot := int(s.phase)*8 + s.round
	if s.tried == 0 && !m.opens(s, c.of(ofCheck, s.day, slot)) {
		s.phase++
		return event{}
	}
	if s.tried == m.fleet.attempts {
		if alone {
			s.close()
			s.phase++
			return event{}
		}
		return m.react(s, c.of(ofReaction, s.day, slot))
	}
	r := c.of(ofAttempt, s.day, slot*32+s.tried)
	s.later(2 + 4*r.unit())
	e := event{what: tried, attempt: m.try(s, &r, alone)}
	s.tried++
	switch {
	case e.attempt.passed:
		e.ended = true
		if s.tried > 1 {
			s.hard++
		} else {
			s.hard = 0
		}
		s.close()
		s.phase++
	case s.tried == m.fleet.attempts:
		e.ended = true
	}
	return e
}

// close ends a session.
func (s *state) close() {
	s.tried, s.round = 0, 0
	s.checked, s.moved, s.serviced = s.air, false, false
}

// opens decides whether a session begins now, and begins it.
func (m *machine) opens(s *state, r stream) bool {
	start, chance := 40*r.unit(), r.unit()
	s.trigger = ""
	switch {
	case s.serviced:
		s.trigger = "electrode-service"
	case s.moved && chance < m.crew.afterMove:
		s.trigger = "moved"
	case s.credit >= 1:
		s.trigger = m.reason(s)
	default:
		return false
	}
	s.credit = max(-1.5, s.credit-1)
	s.today = r.normal()
	if s.round == 0 {
		open := 7 * hour
		if s.phase == secondCheck {
			open = 13 * hour
		}
		s.at(float64(open) + 60*start)
	}
	return true
}

// reason is what a crew would call the reason of a session that its habit asks for.
func (m *machine) reason(s *state) string {
	switch {
	case s.phase == secondCheck:
		return "other"
	case math.Abs(s.air.TemperatureC-s.checked.TemperatureC) > 9 || math.Abs(s.air.PressureHPa-s.checked.PressureHPa) > 14:
		return "weather"
	default:
		return "start-of-day"
	}
}
