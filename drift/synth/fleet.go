package synth

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/drift"
)

// Fleet is a world lived: the records in time order, and the truth.
type Fleet struct {
	Records []drift.Record
	Truth   *Truth
}

// Make lets machines of the world live for so many days from midnight of the
// day of start, in start's zone. Equal arguments give equal fleets.
func Make(w World, seed uint64, machines int, start time.Time, days int) Fleet {
	t := &Truth{World: w, byName: make(map[string]*Machine, machines)}
	zero := time.Date(start.Year(), start.Month(), start.Day(), 0, 0, 0, 0, start.Location())
	records := []drift.Record{setup(&t.World, zero)}
	for i := range machines {
		n := newNature(&t.World, seed, i, zero)
		m, rs := n.live(days)
		t.Machines = append(t.Machines, m)
		t.byName[n.name] = m
		records = append(records, rs...)
	}
	sortRecords(records)
	return Fleet{Records: records, Truth: t}
}

// setup tells the one thing about a fleet that a manager would type in.
func setup(w *World, at time.Time) drift.Record {
	return drift.Record{
		Type: drift.TypeSetup, ID: "fleet-000001", Time: at,
		Setup: &drift.Setup{Scope: drift.ScopeFleet, AttemptLimit: drift.Some(int64(w.Models[0].AttemptLimit))},
	}
}

// live is a machine's life over so many days, as truth and as records.
func (n *nature) live(days int) (*Machine, []drift.Record) {
	m := &Machine{
		Name: n.name, Model: n.model, Grade: n.grade, Typed: n.typed,
		Kappa: n.kappa, Density: n.density, Humidity: n.humidity, Temperature: n.temperature,
		ArcsPerDay: n.arcsPerDay, nature: n, dawns: make([]state, 0, days+1),
	}
	l := &log{truth: m}
	s := n.first()
	n.liveOn(&s, days, l)
	m.dawns = append(m.dawns, s)
	return m, l.records
}

// liveOn goes on until the eve of a day.
func (n *nature) liveOn(s *state, until int, l *log) {
	for s.day < until {
		if s.phase == morning {
			l.truth.dawns = append(l.truth.dawns, *s)
		}
		if v := n.next(s); v.happens {
			n.attend(s, v, l)
		}
	}
}

func sortRecords(records []drift.Record) {
	slices.SortStableFunc(records, func(a, b drift.Record) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Machine, b.Machine))
	})
}
