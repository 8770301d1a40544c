package fleet

import (
	"iter"
	"slices"
	"strings"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/plan"
)

// Snapshot is the fleet at one moment. It does not change.
type Snapshot struct {
	At      time.Time
	Version uint64
	all     []advise.Assessment
	abouts  []*About // of all, in the same order
	byName  map[string]int
	// Locations are the sites that setups or the last passes of machines name, by name.
	Locations []drift.Location

	viewed sync.Once
	view   any
}

// View returns what makes made of the snapshot when it was first asked for. It is dropped
// with the snapshot.
func (s *Snapshot) View(makes func() any) any {
	s.viewed.Do(func() { s.view = makes() })
	return s.view
}

// About is what is known of a machine besides its answer.
type About struct {
	// Site is the site of its last record that names one.
	Site     string
	Settings drift.Settings
	// PassedAt and PassedAltitude are the site and altitude of its last pass.
	PassedAt       string
	PassedAltitude drift.Opt[float64]
	// Before are its earlier names; their records are its own.
	Before []string
	// Zone is the machine's, nil when no setup says.
	Zone *time.Location
	// Service is the latest service and Serviced its time; nil without one.
	Service  *drift.Service
	Serviced time.Time
	// Move is the latest decision on its day at the bench since then; nil without one.
	Move *plan.Move
}

// At is the fleet at a moment, from a reader's records.
func At(reader Reader, asOf time.Time) (*Snapshot, error) {
	g, err := look(reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	members, err := g.members(g.names)
	if err != nil {
		return nil, err
	}
	return snapshot(slices.Values(members), g), nil
}

// snapshot answers for all machines in use.
func snapshot(members iter.Seq[*member], g *generation) *Snapshot {
	s := &Snapshot{At: g.cut.asOf}
	abouts := map[string]*About{}
	for m := range members {
		if m.about.Settings.Retired {
			continue
		}
		s.all = append(s.all, g.assessed(m))
		abouts[m.name] = &m.about
		if before := g.before[m.name]; len(before) > 0 {
			about := m.about
			about.Before = before
			abouts[m.name] = &about
		}
	}
	s.Locations = locations(g.setups.Locations(), abouts)
	worstFirst(s.all)
	s.byName = make(map[string]int, len(s.all))
	s.abouts = make([]*About, len(s.all))
	for i := range s.all {
		name := s.all[i].Machine
		s.byName[name], s.abouts[i] = i, abouts[name]
	}
	return s
}

// Assessments returns the answers, worst first. The caller must not change them.
func (s *Snapshot) Assessments() []advise.Assessment { return s.all }

// Assessment returns one machine's answer.
func (s *Snapshot) Assessment(machine string) (advise.Assessment, bool) {
	i, ok := s.byName[machine]
	if !ok {
		return advise.Assessment{}, false
	}
	return s.all[i], true
}

// About is what is known of the machine besides its answer.
func (s *Snapshot) About(machine string) About {
	if i, ok := s.byName[machine]; ok {
		return *s.abouts[i]
	}
	return About{}
}

// All yields every answer, worst first, with what else is known of the machine. Nobody may
// change them.
func (s *Snapshot) All() iter.Seq2[*advise.Assessment, *About] {
	return func(yield func(*advise.Assessment, *About) bool) {
		for i := range s.all {
			if !yield(&s.all[i], s.abouts[i]) {
				return
			}
		}
	}
}

// locations adds to the sites of the setups those of the last passes. Where no setup
// states an altitude, it is the median of what crews entered with these passes.
func locations(stated []drift.Location, about map[string]*About) []drift.Location {
	entered := map[string][]float64{}
	for _, a := range about {
		for _, name := range []string{a.Site, a.PassedAt} {
			if name != "" && entered[name] == nil {
				entered[name] = []float64{}
			}
		}
		if m, ok := a.PassedAltitude.Get(); ok && a.PassedAt != "" {
			entered[a.PassedAt] = append(entered[a.PassedAt], m)
		}
	}
	for i := range stated {
		if of := entered[stated[i].Name]; len(of) > 0 {
			stated[i].Altitude = stated[i].Altitude.OrElse(median(of))
		}
		delete(entered, stated[i].Name)
	}
	for name, of := range entered {
		stated = append(stated, drift.Location{Name: name, Altitude: median(of)})
	}
	slices.SortFunc(stated, func(a, b drift.Location) int { return strings.Compare(a.Name, b.Name) })
	return stated
}

// median is the middle value, of an even number the lower of the two: a value that
// somebody entered.
func median(of []float64) drift.Opt[float64] {
	if len(of) == 0 {
		return drift.Opt[float64]{}
	}
	slices.Sort(of)
	return drift.Some(of[(len(of)-1)/2])
}
