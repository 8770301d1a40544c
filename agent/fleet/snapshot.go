package fleet

import (
	"iter"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Snapshot is the fleet at one moment. It does not change.
type Snapshot struct {
	At      time.Time
	Version uint64
	all     []advise.Assessment
	byName  map[string]int
	about   map[string]*About
}

// About is what is known of a machine besides its answer.
type About struct {
	// Site is the site of its last record that names one.
	Site     string
	Settings drift.Settings
	// Before are its earlier names; their records are its own.
	Before []string
	// Zone is the machine's, nil when no setup says.
	Zone *time.Location
	// Service is the latest service and Serviced its time; nil without one.
	Service  *drift.Service
	Serviced time.Time
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
	s := &Snapshot{At: g.cut.asOf, about: map[string]*About{}}
	for m := range members {
		if m.about.Settings.Retired {
			continue
		}
		s.all = append(s.all, g.assessed(m))
		s.about[m.name] = &m.about
		if before := g.before[m.name]; len(before) > 0 {
			about := m.about
			about.Before = before
			s.about[m.name] = &about
		}
	}
	worstFirst(s.all)
	s.byName = make(map[string]int, len(s.all))
	for i := range s.all {
		s.byName[s.all[i].Machine] = i
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
	if a, ok := s.about[machine]; ok {
		return *a
	}
	return About{}
}
