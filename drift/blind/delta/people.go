package delta

// crew is the people around some machines, and their habits.
type crew struct {
	name       string
	key        uint64
	operators  []string
	sites      []int // where it may be sent
	stay       float64
	summer     bool // keeps off high ground in winter
	dawn       int  // minute of the day, UTC, at which work begins
	weekend    float64
	heater     float64 // share of the way to 18 °C that its tent or van warms the air
	warmNight  bool    // machines spend the night indoors
	onMove     float64 // chance to calibrate after a move
	onWeather  float64 // °C since the last calibration that make it calibrate; 0 never
	lookAfter  int     // sessions failed in a row before somebody looks; 0 never
	ownHands   float64 // chance that the crew does the work itself, not the bench
	friday     bool    // cleans every Friday
	cleanEvery int64   // arcs; 0 never
	extra      int     // attempts it makes beyond the limit
	onlyPass   bool    // logs only the attempt that passed
	cleaver    string
	blade      float64 // cleaves until the blade is blunt
	turnAt     float64 // blade lives before it is turned unasked
	notice     float64 // chance that a spoilt attempt makes somebody turn the blade
	spoil      float64 // chance of a bad end with a sharp blade
	forget     float64 // chance that a service is not logged
	fumble     float64 // chance that the counter is not reset
	delay      float64 // mean hours until a service is logged
}

// bench cleans and replaces.
type bench struct {
	backlog    float64 // mean days a machine waits there
	preventive int64   // arcs after which a pair is replaced anyway; 0 never
	cleanings  int     // a pair is cleaned at most so often
	worn       float64 // growth of the tips' radius that counts as worn
	eye        float64 // error of judging silica and wear, in ln
	keepsDays  bool    // logs the day only
}

// standing is what people around a machine have on their minds. It belongs to the
// history only; a pair left alone has nobody who cares.
type standing struct {
	fails     int     // sessions failed in a row
	awayUntil int     // day on which the bench gives it back; -1 not away
	cleanings int     // of this pair
	cleanedAt int64   // arcs of the pair then
	blade     float64 // cleaves since the blade was turned, over its life
	bout      int     // first day without the present trouble with ends
	pairs     int     // pairs fitted so far
	sentFor   reason
}

// hurt is what ill-prepared ends do to a shot: nothing, one end or both.
func (m *machine) hurt(st *state, s shot, c *chance) (shot, bool) {
	k := m.crew
	blunt := st.people.blade
	p := k.spoil * (1 + 8*blunt*blunt*blunt)
	if st.day < st.people.bout {
		p += 0.12
	}
	if !c.odds(min(0.5, p)) {
		return s, false
	}
	// A lip or a chip melts back too far, a slanted end too little.
	wrong := func() float64 {
		f := c.between(0.08, 0.45)
		if c.odds(0.6) {
			return 1 + f
		}
		return 1 - f
	}
	switch c.one(0.45, 0.45, 0.1) {
	case 0:
		s.left *= wrong()
	case 1:
		s.right *= wrong()
	default:
		s.left *= wrong()
		s.right *= wrong()
	}
	return s, true
}

// cleave wears the blade by n fresh ends, and somebody may turn it.
func (m *machine) cleave(st *state, n int, spoilt bool, c *chance) {
	p := &st.people
	p.blade += float64(n) / m.crew.blade
	if p.blade > m.crew.turnAt || spoilt && c.odds(m.crew.notice*min(1, p.blade)) {
		p.blade = 0
		p.bout = min(p.bout, st.day+1)
	}
}

// afterSession is what people do about a result. It may put work on today's plan or
// send the machine to the bench.
func (m *machine) afterSession(st *state, failed bool, c *chance) {
	p := &st.people
	if !failed {
		p.fails = 0
		return
	}
	p.fails++
	k := m.crew
	look := k.lookAfter
	if look == 0 {
		look = 7 // then the bench hears of it
	}
	if p.fails < look || p.awayUntil >= 0 {
		return
	}
	c.on(c.self, forPeople, st.day, st.item, 1)
	if k.lookAfter > 0 && c.odds(k.ownHands) {
		st.plan.add(task{at: st.last + 900 + c.Int64N(3600), kind: doService, why: whyFailed})
		return
	}
	m.send(st, whyFailed, c)
}

// send takes the machine to the bench from tomorrow on.
func (m *machine) send(st *state, why reason, c *chance) {
	st.people.sentFor = why
	days := 1 + int(m.bench.backlog*c.ExpFloat64())
	st.people.awayUntil = st.day + min(days, 45)
}

// wantsCare says whether somebody has work on the pair in mind today without a
// failure, and why.
func (m *machine) wantsCare(st *state, weekday int, c *chance) (why reason, wanted bool) {
	k := m.crew
	switch {
	case m.bench.preventive > 0 && st.pair.arcs >= m.bench.preventive && c.odds(0.3):
		return whyAge, true
	case k.friday && weekday == 5 && c.odds(0.85):
		return whyRoutine, true
	case k.cleanEvery > 0 && st.pair.arcs-st.people.cleanedAt >= k.cleanEvery && c.odds(0.3):
		return whyRoutine, true
	}
	return 0, false
}

// judge decides what to do with the pair, by what is seen.
func (m *machine) judge(st *state, why reason, c *chance) (action, finding string) {
	w, ph, p := &st.pair, &m.physics, &st.people
	silica := w.tips[0].silica + w.tips[1].silica
	grown := (w.tips[0].radius+w.tips[1].radius)/(2*ph.radius0) - 1 +
		2*(w.tips[0].lost+w.tips[1].lost)/ph.gap0
	seenWorn := grown*c.spread(m.bench.eye) > m.bench.worn
	seenDirty := silica/ph.half*c.spread(m.bench.eye) > 0.25 || w.dirt > 0.3 && c.odds(0.7)
	switch {
	case why == whyAge:
		return replaced, pickFinding(seenWorn, seenDirty)
	case why == whyRoutine:
		return cleaned, pickFinding(false, seenDirty)
	case seenWorn || p.cleanings >= m.bench.cleanings || p.fails > 4:
		return replaced, "worn"
	case seenDirty:
		return cleaned, "dirty"
	case p.blade > 0.8 || st.day < p.bout:
		return inspected, "cleaver"
	case c.odds(0.35):
		return inspected, "fine"
	case c.odds(0.15):
		return inspected, "other"
	}
	return cleaned, "fine"
}

func pickFinding(worn, dirty bool) string {
	if worn {
		return "worn"
	}
	if dirty {
		return "dirty"
	}
	return "fine"
}
