package fleet

import (
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/plan"
)

// Spares are the electrode pairs that the depots should hold for a part of the fleet, nil
// for all of it.
func (s *Snapshot) Spares(part drift.Part) []advise.Spares {
	var demand []advise.Demand
	for a, about := range s.All() {
		if !part.Has(a.Machine) {
			continue
		}
		settings := &about.Settings
		d := advise.Demand{Machine: a.Machine, Depot: settings.Depot, Held: settings.SparePairs,
			LeadDays: settings.LeadTime.Or(plan.UsualLead), Assumed: !settings.LeadTime.Known()}
		if pace, ok := a.Electrode.ArcsPerDay.Get(); ok {
			d.Chance = a.Electrode.ChanceWithin(pace * d.LeadDays)
		}
		demand = append(demand, d)
	}
	return advise.SparesByDepot(demand)
}
