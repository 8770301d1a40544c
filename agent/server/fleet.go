package server

import (
	"arcdrift/agent/fleet"
	"arcdrift/agent/web"
	"arcdrift/drift/advise"
)

// fleetView is the running agent's fleet as its services read it.
type fleetView struct{ *fleet.Fleet }

// Board is what is known now, with the site each machine was last at. All who ask between
// two changes of the fleet share one.
func (v fleetView) Board() *web.Board { return boardOf(v.Snapshot()) }

func boardOf(s *fleet.Snapshot) *web.Board {
	return s.View(func() any { return web.NewBoard(rows{s}, s.Version) }).(*web.Board)
}

// rows are the machines of a snapshot as pages show them.
type rows struct{ *fleet.Snapshot }

func (r rows) All() []web.Machine {
	machines := make([]web.Machine, 0, r.Len())
	for a, about := range r.Snapshot.All() {
		machines = append(machines, machineOf(a, about))
	}
	return machines
}

func (r rows) Find(name string) (web.Machine, bool) {
	a, about := r.Machine(name)
	if a == nil {
		return web.Machine{}, false
	}
	return machineOf(a, about), true
}

func machineOf(a *advise.Assessment, about *fleet.About) web.Machine {
	return web.Machine{Assessment: a, Site: about.Site, Settings: &about.Settings, Before: about.Before, Move: about.Move}
}
