package server

import (
	"arcdrift/agent/fleet"
	"arcdrift/agent/web"
)

// fleetView is the running agent's fleet as its services read it.
type fleetView struct{ *fleet.Fleet }

// Board is what is known now, with the site each machine was last at. All who ask between
// two changes of the fleet share one.
func (v fleetView) Board() *web.Board { return boardOf(v.Snapshot()) }

func boardOf(s *fleet.Snapshot) *web.Board {
	return s.View(func() any {
		machines := make([]web.Machine, 0, len(s.Assessments()))
		for a, about := range s.All() {
			machines = append(machines, web.Machine{Assessment: a, Site: about.Site, Settings: &about.Settings, Before: about.Before, Move: about.Move})
		}
		return web.NewBoard(machines, s.Version)
	}).(*web.Board)
}
