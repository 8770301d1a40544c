package synth

import (
	"time"

	"arcdrift/drift"
)

// The invented contractor of the demo and of all examples: Tarnbeck Line Works,
// with its sites, people and machines.

// Scenario is the contractor's fleet at a moment: a history of five months, and
// days that go on.
type Scenario struct {
	// History is what was published up to now, in time order.
	History []drift.Record
	// Truth of the history, and of what is left of today.
	Truth *Truth

	cast []*actor
	zero time.Time
	day  int // the next one to live
	next []drift.Record
}

// storyDays is how many days of history there are before today.
const storyDays = 150

// actor is a machine of the scenario and the state it is in.
type actor struct {
	nature *nature
	state  state
}

// Open returns the contractor's fleet at a moment, in that moment's zone. The
// same seed and day give the same story; which of the parts played is in Roles.
func Open(seed uint64, now time.Time) *Scenario {
	at := func(hour int) time.Time {
		return time.Date(now.Year(), now.Month(), now.Day(), hour, 0, 0, 0, now.Location())
	}
	today := at(0)
	s := &Scenario{
		Truth: &Truth{World: contractor(), byName: map[string]*Machine{}},
		zero:  today.AddDate(0, 0, -storyDays), day: storyDays + 1,
	}
	world := &s.Truth.World
	records := append(setups(world, s.zero), depots(world, s.zero)...)
	for i, p := range parts() {
		a, m, rs := p.play(world, seed, i, s.zero, at(12))
		s.cast = append(s.cast, a)
		s.Truth.Machines = append(s.Truth.Machines, m)
		s.Truth.byName[m.Name] = m
		records = append(records, rs...)
	}
	sortRecords(records)
	for len(s.History) < len(records) && !records[len(s.History)].Time.After(now) {
		s.History = records[:len(s.History)+1]
	}
	s.next = records[len(s.History):]
	return s
}

// Next is the next record of the story after those of History and of earlier
// calls, with the time at which it happens. It never ends; a clock that runs
// faster is the caller's.
func (s *Scenario) Next() drift.Record {
	for len(s.next) == 0 {
		s.next = s.liveDay()
	}
	r := s.next[0]
	s.next = s.next[1:]
	return r
}

// Home is the usual air of the quay that crews come back to.
func (s *Scenario) Home() Air {
	quay := &s.Truth.World.Sites[orrinQuay]
	return Air{TemperatureC: quay.MeanC, HumidityPct: quay.HumidityPct, AltitudeM: quay.AltitudeM}
}

// liveDay lives the next day of all machines.
func (s *Scenario) liveDay() []drift.Record {
	var records []drift.Record
	s.day++
	until := s.zero.AddDate(0, 0, s.day)
	for _, a := range s.cast {
		l := &log{truth: &Machine{}}
		for a.nature.zero.AddDate(0, 0, a.state.day).Before(until) {
			a.nature.step(&a.state, l)
		}
		records = append(records, l.records...)
	}
	sortRecords(records)
	return records
}

// contractor is the world of the scenario.
func contractor() World {
	w := ordinary("tarnbeck", "an invented contractor with two models and a mountain", typeOne(), typeTwo())
	w.Sites = []Site{
		{Name: "Orrin Quay", AltitudeM: 12, MeanC: 9, SeasonC: 7, DayC: 3, HumidityPct: 76, Dirt: 1},
		{Name: "Hallow Fen", AltitudeM: 95, MeanC: 9, SeasonC: 9, DayC: 4, HumidityPct: 72, Dirt: 1.5},
		{Name: "Brindle Moss", AltitudeM: 420, MeanC: 7, SeasonC: 9, DayC: 5, HumidityPct: 70, Dirt: 1},
		{Name: "Stoor Pass", AltitudeM: 2150, MeanC: -1, SeasonC: 9, DayC: 5, HumidityPct: 64, Dirt: 1},
	}
	w.Usage, w.Splices, w.Barometers = 0.6, 1, 0.2
	w.MoveRate, w.Ends.BluntBadEnd, w.Bench.Patience = 0.03, 0.8, 0.5
	return w
}

// Where they are among the contractor's sites.
const (
	orrinQuay = 0
	stoorPass = 3
)

// depots sets up the fleet, and where each site's spares lie.
func depots(w *World, at time.Time) []drift.Record {
	stamp := at.Format("20060102")
	out := []drift.Record{{
		Type: drift.TypeSetup, ID: "setup-" + stamp + "-fleet", Time: at,
		Setup: &drift.Setup{
			Scope: drift.ScopeFleet, CheckMinutes: drift.Some(5.0), OutMinutes: drift.Some(60.0),
			WarmUp: drift.Some(25.0), LeadTime: drift.Some(6.0),
		},
	}}
	for i, site := range w.Sites {
		depot := "Orrin Quay store"
		if i >= 2 {
			depot = "Brindle Moss shed"
		}
		out = append(out, drift.Record{
			Type: drift.TypeSetup, ID: "setup-" + stamp + "-" + string(rune('a'+i)), Time: at,
			Setup: &drift.Setup{Scope: drift.ScopeSite, Name: site.Name, Depot: depot, SparePairs: drift.Some(int64(4 - i/2))},
		})
	}
	return out
}
