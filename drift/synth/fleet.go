package synth

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"arcdrift/drift"
)

// Fleet is a simulated fleet: its records in order of time, and the truth.
type Fleet struct {
	Records []drift.Record
	Truth   *Truth
}

// Make simulates machines of the world for so many days, from midnight of the day of start
// in start's zone. Equal arguments give equal fleets.
func Make(w World, seed uint64, machines int, start time.Time, days int) Fleet {
	t := &Truth{World: w, byName: make(map[string]*Machine, machines)}
	zero := time.Date(start.Year(), start.Month(), start.Day(), 0, 0, 0, 0, start.Location())
	records := setups(&t.World, zero)
	for i := range machines {
		n := newNature(&t.World, seed, i, zero)
		m, _, rs := n.live(days)
		t.Machines = append(t.Machines, m)
		t.byName[n.name] = m
		records = append(records, rs...)
	}
	sortRecords(records)
	return Fleet{Records: records, Truth: t}
}

// setups has a setup record for each model, with its target, tolerance and limits.
func setups(w *World, at time.Time) []drift.Record {
	out := make([]drift.Record, len(w.Models))
	for i, m := range w.Models {
		out[i] = drift.Record{
			Type: drift.TypeSetup, ID: fmt.Sprintf("setup-%s-%d", at.Format("20060102"), i+1), Time: at,
			Setup: &drift.Setup{
				Scope: drift.ScopeModel, Name: m.Name,
				AttemptLimit: drift.Some(int64(m.AttemptLimit)), ConditioningArcs: drift.Some(m.Conditioning),
			},
		}
	}
	return out
}

// live simulates a machine over so many days and returns the truth, the final state and
// the records.
func (n *nature) live(days int) (*Machine, state, []drift.Record) {
	m := &Machine{
		Name: n.name, Model: n.model, Grade: n.grade, Typed: n.typed,
		Tolerance: n.tolerance, Kappa: n.kappa, Density: n.density, Humidity: n.humidity, Temperature: n.temperature,
		ArcsPerDay: n.arcsPerDay, nature: n, dawns: make([]state, 0, days+1),
	}
	l := &log{truth: m, splices: true}
	s := n.first()
	for s.day < days {
		if s.phase == morning {
			m.dawns = append(m.dawns, s)
		}
		n.step(&s, l)
	}
	m.dawns = append(m.dawns, s)
	return m, s, l.records
}

// step simulates one phase of a day.
func (n *nature) step(s *state, l *log) {
	before := *s
	if v := n.next(s); v.happens {
		l.worked(n, &before, s, v)
		n.attend(s, v, l)
	}
}

func sortRecords(records []drift.Record) {
	slices.SortStableFunc(records, func(a, b drift.Record) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Machine, b.Machine))
	})
}
