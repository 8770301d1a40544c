package server

import (
	"arcdrift/agent/fleet"
	"arcdrift/agent/web"
)

// mind is the running agent's fleet as its services read it.
type fleetView struct{ *fleet.Fleet }

// Board is what is known now, with the site each machine was last at.
func (v fleetView) Board() ([]web.Machine, uint64) {
	s := v.Snapshot()
	all := s.Assessments()
	out := make([]web.Machine, len(all))
	for i, a := range all {
		about := s.About(a.Machine)
		out[i] = web.Machine{Assessment: a, Site: about.Site, Settings: about.Settings, Before: about.Before, Move: about.Move}
	}
	return out, s.Version
}
