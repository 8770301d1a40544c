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

// About is what is known of a machine beside its answer.
type About struct {
	// Site is where its last record was made, as the label says.
	Site     string
	Settings drift.Settings
	// Before are the names it had, whose records are its own.
	Before []string
	// Zone is the machine's, nil when no setup says.
	Zone *time.Location
	// Service is the latest of the pair and Serviced when it was; nil without one.
	Service  *drift.Service
	Serviced time.Time
}

// At is the fleet as a book tells of one moment.
func At(book Reader, asOf time.Time) (*Snapshot, error) {
	w, err := look(book, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	members, err := w.members(w.names)
	if err != nil {
		return nil, err
	}
	return snapshot(slices.Values(members), w), nil
}

// snapshot answers for all machines in use.
func snapshot(members iter.Seq[*member], w *world) *Snapshot {
	s := &Snapshot{At: w.cut.asOf, about: map[string]*About{}}
	for m := range members {
		if m.about.Settings.Retired {
			continue
		}
		s.all = append(s.all, w.assessed(m))
		s.about[m.name] = &m.about
		if before := w.before[m.name]; len(before) > 0 {
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

// Assessments returns the answers, worst first. The slice is the caller's to
// read only.
func (s *Snapshot) Assessments() []advise.Assessment { return s.all }

// Assessment returns one machine's answer.
func (s *Snapshot) Assessment(machine string) (advise.Assessment, bool) {
	i, ok := s.byName[machine]
	if !ok {
		return advise.Assessment{}, false
	}
	return s.all[i], true
}

// About is what is known of the machine beside its answer.
func (s *Snapshot) About(machine string) About {
	if a, ok := s.about[machine]; ok {
		return *a
	}
	return About{}
}
