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

// Snapshot is the fleet at one moment. It does not change. It shares with the one before
// what is the same in both: the answers of machines of which nothing is new are those of
// the last tick.
type Snapshot struct {
	At      time.Time
	Version uint64
	// Whole is when all answers were made, at the last tick or since.
	Whole time.Time
	// byNeed has the worst first. Both have the same rows.
	byNeed, byName parted[*row]
	// records is on how many all answers rest.
	records int
	setups  drift.Setups

	viewed sync.Once
	view   any
}

// row is a machine in use. It does not change.
type row struct {
	advise.Assessment
	about *About
	need  need
}

func newSnapshot(at time.Time) *Snapshot {
	return &Snapshot{
		At:     at,
		byNeed: newParted(func(a, b *row) int { return a.need.compare(&b.need) }),
		byName: newParted(func(a, b *row) int { return strings.Compare(a.Machine, b.Machine) }),
	}
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
	return newSnapshot(asOf).next(g, slices.Values(members)), nil
}

// none is the snapshot without any machine, from which all answers are made at a moment.
func (s *Snapshot) none(whole time.Time) *Snapshot {
	none := newSnapshot(s.At)
	none.Version, none.Whole = s.Version, whole
	return none
}

// next is the snapshot with the answers of some machines made anew.
func (s *Snapshot) next(g *generation, changed iter.Seq[*member]) *Snapshot {
	next := newSnapshot(g.cut.asOf)
	next.Version, next.Whole, next.records, next.setups = s.Version+1, s.Whole, s.records, g.setups
	var gone, come []*row
	for m := range changed {
		if was := s.row(m.name); was != nil {
			gone = append(gone, was)
			next.records -= was.Data.Records
		}
		if m.about.Settings.Retired {
			continue
		}
		is := &row{Assessment: g.assessed(m), about: &m.about}
		is.need = needOf(&is.Assessment)
		if before := g.before[m.name]; len(before) > 0 {
			about := m.about
			about.Before = before
			is.about = &about
		}
		come = append(come, is)
		next.records += is.Data.Records
	}
	next.byNeed, next.byName = s.byNeed.with(gone, come), s.byName.with(gone, come)
	return next
}

// row is that of a machine, nil if it is not in use.
func (s *Snapshot) row(machine string) *row {
	r, _ := s.byName.find(func(r *row) int { return strings.Compare(r.Machine, machine) })
	return r
}

// Assessments returns the answers, worst first.
func (s *Snapshot) Assessments() []advise.Assessment {
	var all []advise.Assessment
	for r := range s.byNeed.all {
		all = append(all, r.Assessment)
	}
	return all
}

// Len is how many machines are in use.
func (s *Snapshot) Len() int { return s.byName.length }

// Assessment returns one machine's answer.
func (s *Snapshot) Assessment(machine string) (advise.Assessment, bool) {
	a, _ := s.Machine(machine)
	if a == nil {
		return advise.Assessment{}, false
	}
	return *a, true
}

// About is what is known of the machine besides its answer.
func (s *Snapshot) About(machine string) About {
	_, about := s.Machine(machine)
	if about == nil {
		return About{}
	}
	return *about
}

// Machine is one machine's answer with what else is known of it, nil if it is not in use.
// Nobody may change them.
func (s *Snapshot) Machine(name string) (*advise.Assessment, *About) {
	r := s.row(name)
	if r == nil {
		return nil, nil
	}
	return &r.Assessment, r.about
}

// All yields every answer, worst first, with what else is known of the machine. Nobody may
// change them.
func (s *Snapshot) All() iter.Seq2[*advise.Assessment, *About] {
	return func(yield func(*advise.Assessment, *About) bool) {
		for r := range s.byNeed.all {
			if !yield(&r.Assessment, r.about) {
				return
			}
		}
	}
}

// Changed yields the machines that have another answer than in an earlier snapshot, are new
// or not in use any more. What it takes depends on how many these are.
func (s *Snapshot) Changed(before *Snapshot) iter.Seq[string] {
	return func(yield func(string) bool) {
		for r := range s.byName.differing(before.byName) {
			if !yield(r.Machine) {
				return
			}
		}
	}
}

// Locations are the sites that setups or the last passes of machines name, by name.
func (s *Snapshot) Locations() []drift.Location {
	return locations(s.setups.Locations(), func(yield func(*About) bool) {
		for r := range s.byName.all {
			if !yield(r.about) {
				return
			}
		}
	})
}

// locations adds to the sites of the setups those of the last passes. Where no setup
// states an altitude, it is the median of what crews entered with these passes.
func locations(stated []drift.Location, abouts iter.Seq[*About]) []drift.Location {
	entered := map[string][]float64{}
	for a := range abouts {
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
