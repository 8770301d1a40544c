package alert_test

import (
	"time"

	"arcdrift/agent/alert"
)

// idle says whether a step would do nothing at any machine, looking at each alone.
func (s *story) idle(now time.Time) bool {
	view := map[string][]alert.Machine{}
	for _, c := range s.state.Cases {
		if c.Rule.OfMachine() {
			view[c.Subject] = nil
		}
	}
	for _, m := range s.view.Machines {
		view[m.Machine] = []alert.Machine{m}
	}
	for name, some := range view {
		if !s.policy.Idle(s.state, []string{name}, some, now) {
			return false
		}
	}
	return true
}
