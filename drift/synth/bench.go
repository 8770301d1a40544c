package synth

import (
	"time"

	"arcdrift/drift"
)

// attend lives a visit as people do: it calibrates when due, with the ends of
// the day, and acts on a session without a pass.
func (n *nature) attend(s *state, v visit, log *log) {
	b := &n.world.Bench
	if v.dirt {
		log.dirt(s, v.time)
	}
	if v.phase == arrival {
		log.move(n, s, v, s.people.uniform())
	}
	if v.phase == morning {
		switch {
		case n.script.cleanOn.is(s.day):
			n.serve(s, v.time, drift.Cleaned, log)
			return
		case b.ReplaceAt > 0 && s.pair.arcs >= b.ReplaceAt:
			n.serve(s, v.time, drift.Replaced, log)
			return
		}
	}
	if v.phase == evening {
		log.evening(n, s, v.time)
	}
	if !v.session {
		return
	}
	if n.calibrate(s, v.time, v.trigger, false, log) {
		s.doubted = false
		return
	}
	n.doubt(s, v.time.Add(90*time.Minute), log)
}

// calibrate runs a session, logs it and says whether it passed.
func (n *nature) calibrate(s *state, at time.Time, trigger string, prepared bool, log *log) bool {
	before := *s
	tries := n.session(s, at, prepared, nil)
	log.session(n, before, s, trigger, prepared, tries)
	return tries[len(tries)-1].passed
}

// doubt is a crew after a session without a pass: it goes on once, finds a blunt
// cleaver half the time, or sends for the bench.
func (n *nature) doubt(s *state, at time.Time, log *log) {
	switch {
	case !s.doubted && s.people.chance(n.world.Bench.Patience):
		s.doubted = true
	case s.blunt && s.people.chance(0.5):
		s.blunt, s.doubted = false, false
		log.service(n, s, at, drift.Inspected, drift.CleaverFault, true)
		n.calibrate(s, at.Add(15*time.Minute), "other", false, log)
	case s.pair.cleanings < n.world.Bench.Cleans && s.pair.arcs-s.pair.cleanedAt > 200:
		n.serve(s, at, drift.Cleaned, log)
	default:
		n.serve(s, at, drift.Replaced, log)
	}
}

// serve cleans or replaces and calibrates with the bench's good ends. A cleaning
// that does not help is followed by a replacement.
func (n *nature) serve(s *state, at time.Time, action drift.Action, log *log) {
	s.doubted = false
	finding := drift.Worn
	if s.pair.dirtScatter > 0 {
		finding = drift.Dirty
	}
	const sessions = 3 // after which the bench lets it go
	if action == drift.Cleaned {
		s.pair.clean(n.model, &s.wear)
	} else {
		n.replace(s)
	}
	log.service(n, s, at, action, finding, !s.people.chance(n.world.Bench.Unlogged))
	for range sessions {
		at = at.Add(15 * time.Minute)
		if n.calibrate(s, at, "electrode-service", true, log) {
			return
		}
		if action == drift.Cleaned {
			n.serve(s, at.Add(15*time.Minute), drift.Replaced, log)
			return
		}
	}
}

// replace fits a new pair; now and then nobody sets the counter back.
func (n *nature) replace(s *state) {
	old := s.pair.arcs + s.carried
	s.pair = newPair(n.model, &s.wear)
	s.pairs++
	s.carried = 0
	if s.people.chance(n.world.Bench.KeptCounter) {
		s.carried = old
	}
}
