package tide

// react is what a crew does about a session that ended without a pass. Shares are
// guesses: most clean, some fit a new pair from the van, some go on working.
func (m *machine) react(s *state, r stream) event {
	s.tried = 0
	s.hard++
	s.later(8 + 15*r.unit())
	spent := 0.1
	switch {
	case s.sinceCleaned < 200:
		spent = 0.75
	case float64(s.arcs) > 0.6*m.crew.replaceAt:
		spent = 0.5
	}
	e := event{}
	switch goesOn, replaces := r.yes(0.2), r.yes(spent); {
	case goesOn || s.round == 2:
		s.close()
		s.phase++
		return e
	case replaces:
		e = m.replace(s, &r)
	default:
		e = m.clean(s, &r)
	}
	s.round++
	return e
}

// endDay ends a day, perhaps with work on the electrodes.
func (m *machine) endDay(s *state, c chance, alone bool) event {
	r := c.of(ofEvening, s.day, 0)
	s.at(float64(17*hour+45*minute) + float64(45*minute)*r.unit())
	if s.blade > m.blade*(0.8+0.4*r.unit()) {
		s.blade = 0
	}
	var e event
	if !alone {
		e = m.service(s, &r)
	}
	s.phase = morning
	s.day++
	return e
}

// service is what people plan, or do because checks have become hard.
func (m *machine) service(s *state, r *stream) event {
	arcs := float64(s.arcs)
	due, cleans, looks, tired := r.yes(0.3), r.yes(0.25), r.yes(m.crew.inspect), r.yes(0.35)
	switch {
	case due && arcs > m.crew.replaceAt:
		return m.replace(s, r)
	case s.hard >= 3 && tired && arcs > 0.8*m.crew.replaceAt:
		return m.replace(s, r)
	case s.hard >= 2 && tired && s.sinceCleaned > 100:
		return m.clean(s, r)
	case cleans && m.crew.cleanEvery > 0 && float64(s.sinceCleaned) > m.crew.cleanEvery:
		return m.clean(s, r)
	case looks:
		return m.inspect(s, r)
	}
	return event{}
}

// inspect looks at the tips, and does what seems right.
func (m *machine) inspect(s *state, r *stream) event {
	switch found := m.finding(s, r); {
	case found == "worn" && r.yes(0.7):
		return m.replace(s, r)
	case found == "dirty" && r.yes(0.8):
		return m.clean(s, r)
	default:
		return event{what: served, service: service{
			action: "inspected", finding: found, hidden: r.yes(m.crew.hidden), before: s.arcs + s.ahead,
		}}
	}
}

// finding is what the bench sees; it errs.
func (m *machine) finding(s *state, r *stream) string {
	worn := float64(s.arcs)/s.pair.life + 0.15*r.normal()
	dirty := (s.soil+s.fresh)/0.015 + 0.3*r.normal()
	switch blunt := s.blade > m.blade; {
	case worn > 0.95:
		return "worn"
	case dirty > 1:
		return "dirty"
	case blunt && r.yes(0.5):
		return "cleaver"
	case r.yes(0.05):
		return "other"
	default:
		return "fine"
	}
}

// clean takes most of the deposit off; wear stays.
func (m *machine) clean(s *state, r *stream) event {
	e := event{what: served, service: service{
		action: "cleaned", finding: m.finding(s, r), hidden: r.yes(m.crew.hidden), before: s.arcs + s.ahead,
	}}
	s.soil *= r.between(0.05, 0.4)
	s.fresh *= r.between(0.05, 0.3)
	s.unsettled = max(s.unsettled, 0.25)
	s.sinceCleaned, s.hard, s.serviced = 0, 0, true
	return e
}

// replace fits a new pair and burns its first arcs.
func (m *machine) replace(s *state, r *stream) event {
	e := event{what: served, service: service{
		action: "replaced", finding: m.finding(s, r), hidden: r.yes(m.crew.hidden / 2), before: s.arcs + s.ahead,
	}}
	s.pairs++
	s.ahead += s.arcs
	if r.yes(m.resets) {
		s.ahead = 0
	}
	m.mount(s)
	m.burn(s, m.settles, r)
	return e
}

// mount puts the next pair in.
func (m *machine) mount(s *state) {
	s.pair = m.wear.fit(m.luck.of(ofPair, s.pairs, 0))
	s.arcs, s.sinceCleaned, s.hard, s.serviced = 0, 0, 0, true
	s.wander, s.soil, s.fresh, s.unsettled = 0, 0, 0, 1
}
