package fleet

import (
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// member is what is held of a machine: a few kilobytes, however long its
// history.
type member struct {
	name    string
	about   About
	weighed advise.PendingAssessment
	ahead   time.Time // see foldState
	old     int
	marks   []drift.Mark
	kind    model.Key
	// link is that of the last record folded, populations are those it was folded with.
	link        []byte
	populations digest
}

// answer folds a life and keeps what later answers need.
func (l *life) answer(g *generation) *member {
	weighed := advise.Prepare(fold(l, g.pop, g.refused[l.name], g.zones))
	return l.member(weighed, g.zones, g.id)
}

// member is the machine in this state, with its answer.
func (s *foldState) member(weighed advise.PendingAssessment, zones *zones, populations digest) *member {
	m := &member{
		link: s.Link, populations: populations,
		name: s.name, weighed: weighed, ahead: s.Ahead, old: s.Old, marks: s.Slips.Marks, kind: s.Key,
		about: About{Site: s.Site, Settings: s.Settings, Service: s.Service, Serviced: s.Serviced, Move: s.Move, PassedAt: s.Checks.PassedAt, PassedAltitude: s.Checks.Altitude},
	}
	if s.Settings.Zone != "" {
		m.about.Zone = zones.named(s.Settings.Zone)
	}
	return m
}

// roll are the members of a fleet.
type roll struct {
	byName map[string]*member
	// changed are those whose answers are not in the snapshot yet, ahead those with a
	// record whose clock runs ahead.
	changed, ahead map[string]bool
}

// rollOf makes the roll of members that no snapshot has.
func rollOf(all map[string]*member) roll {
	r := roll{all, map[string]bool{}, map[string]bool{}}
	for name, m := range all {
		if !m.ahead.IsZero() {
			r.ahead[name] = true
		}
	}
	return r
}

// put replaces a member.
func (r *roll) put(m *member) {
	r.byName[m.name], r.changed[m.name] = m, true
	if delete(r.ahead, m.name); !m.ahead.IsZero() {
		r.ahead[m.name] = true
	}
}

// news yields the members whose answers are not in the snapshot yet.
func (r *roll) news(yield func(*member) bool) {
	for name := range r.changed {
		if m := r.byName[name]; m != nil && !yield(m) {
			return
		}
	}
}

// zones are the time zones of the machines, each read once, as many machines share few.
// One that cannot be read is nil.
type zones struct {
	mu     sync.Mutex
	byName map[string]*time.Location
}

// named returns the zone of that name; UTC for "" and for one that is not known.
func (z *zones) named(name string) *time.Location {
	if at := z.read(name); at != nil {
		return at
	}
	return time.UTC
}

// knows says whether the zone of that name is known; "" is.
func (z *zones) knows(name string) bool { return z.read(name) != nil }

func (z *zones) read(name string) *time.Location {
	if name == "" {
		return time.UTC
	}
	z.mu.Lock()
	defer z.mu.Unlock()
	at, ok := z.byName[name]
	if !ok {
		if read, err := time.LoadLocation(name); err == nil {
			at = read
		}
		if z.byName == nil {
			z.byName = map[string]*time.Location{}
		}
		z.byName[name] = at
	}
	return at
}
