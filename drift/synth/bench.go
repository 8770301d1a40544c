package synth

import (
	"time"

	"arcdrift/drift"
)

// attend simulates a visit: it calibrates when due, with the ends of the day, and calls the
// bench after sessions without a pass.
func (n *nature) attend(s *state, v visit, l *log) {
	if v.dirt {
		l.dirt(s, v.time)
	}
	switch v.phase {
	case morning:
		if n.due(s) {
			return
		}
	case arrival:
		l.move(n, s, v, s.people.uniform())
	case forenoonBench, afternoonBench:
		n.serve(s, v.time, l)
	case evening:
		l.evening(n, s, v.time)
	}
	if !v.session {
		return
	}
	if n.calibrate(s, v.time, v.trigger, false, l) {
		s.doubted = false
		return
	}
	n.doubt(s)
}

// due calls the bench for a planned replacement, before the day's work.
func (n *nature) due(s *state) bool {
	at := n.world.Bench.ReplaceAt
	switch {
	case n.script.cleanOn.is(s.day):
		s.called = drift.Cleaned
	case at > 0 && s.pair.arcs >= at:
		s.called = drift.Replaced
	}
	return s.called != ""
}

// calibrate runs a session, logs it and says whether it passed.
func (n *nature) calibrate(s *state, at time.Time, trigger string, prepared bool, l *log) bool {
	before := *s
	tries := n.session(s, at, prepared, nil)
	l.session(n, before, s, trigger, prepared, tries)
	return tries[len(tries)-1].passed
}

// doubt is the crew after a session without a pass: it goes on once, suspects a blunt
// cleaver half the time, or calls the bench.
func (n *nature) doubt(s *state) {
	switch {
	case !s.doubted && s.people.chance(n.world.Bench.Patience):
		s.doubted = true
	case s.blunt && s.people.chance(0.5):
		s.called = drift.Inspected
	case s.pair.cleanings < n.world.Bench.Cleans && s.pair.arcs-s.pair.cleanedAt > 200:
		s.called = drift.Cleaned
	default:
		s.called = drift.Replaced
	}
}

// serve simulates a service and a calibration with well-prepared ends. A cleaning that does
// not help is followed by a replacement.
func (n *nature) serve(s *state, at time.Time, l *log) {
	action, finding := s.called, drift.Worn
	s.called, s.doubted = "", false
	if s.pair.dirtScatter > 0 {
		finding = drift.Dirty
	}
	switch action {
	case drift.Inspected:
		s.blunt, finding = false, drift.CleaverFault
	case drift.Cleaned:
		s.pair.clean(n.model, &s.wear)
	case drift.Replaced:
		n.replace(s)
	}
	l.service(n, s, at, action, finding, !s.people.chance(n.world.Bench.Unlogged))
	const sessions = 3 // after which the bench lets it go
	for range sessions {
		at = at.Add(15 * time.Minute)
		if n.calibrate(s, at, "electrode-service", true, l) {
			return
		}
		if action == drift.Cleaned {
			s.called = drift.Replaced
			n.serve(s, at.Add(15*time.Minute), l)
			return
		}
	}
}

// replace fits a new pair; sometimes the counter is not reset.
func (n *nature) replace(s *state) {
	old := s.pair.arcs + s.carried
	s.pair = n.newPair(&s.wear, s.day)
	s.recent, s.results = [3]float64{}, 0
	if n.model.Law.Resets {
		s.setting = 0
	}
	s.pairs++
	s.carried = 0
	if s.people.chance(n.world.Bench.KeptCounter) {
		s.carried = old
	}
}
