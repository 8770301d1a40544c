package agent

import (
	"arcdrift/agent/fleet"
	"arcdrift/agent/store"
	"arcdrift/agent/web"
)

// book lets the fleet read the store.
type book struct{ *store.Store }

// Refused counts the refused records of each machine.
func (b book) Refused() (map[string]int, error) {
	counts, err := b.RefusalCounts()
	out := map[string]int{}
	for _, c := range counts {
		out[c.Machine] += int(c.Count)
	}
	return out, err
}

// mind is the running agent's fleet as the faces ask it.
type mind struct{ *fleet.Fleet }

// Board is what is known now, with the site each machine was last at.
func (m mind) Board() ([]web.Machine, uint64) {
	s := m.Snapshot()
	all := s.Assessments()
	out := make([]web.Machine, len(all))
	for i, a := range all {
		out[i] = web.Machine{Assessment: a, Site: s.About(a.Machine).Site, Before: s.About(a.Machine).Before}
	}
	return out, s.Version
}
