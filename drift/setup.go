package drift

import (
	"maps"
	"slices"
)

// Settings are what holds for one machine, after its setups, its site's, its
// model's and the fleet's, nearest first, and the defaults of the trade.
type Settings struct {
	AttemptLimit             int64
	Target, Tolerance, Limit Opt[float64]
	ConditioningArcs         int64
	// ConditioningStated is whether a setup says how many these are.
	ConditioningStated       bool
	WarmUp                   Opt[float64]
	Zone, Depot              string
	LeadTime                 Opt[float64]
	SparePairs               Opt[int64]
	CheckMinutes, OutMinutes float64
	// DailyCheck is every how many local days a check is due before the first
	// splice, 0 for never.
	DailyCheck int64
	// BenchPerDay, BenchDays and ClosedDays are as stated; the plan has their defaults.
	BenchPerDay Opt[int64]
	BenchDays   string
	ClosedDays  string
	Retired     bool
	RenamedTo   string
}

// Defaults where no setup says otherwise. Four attempts: common practice, no
// source. The costs are a crew's five minutes for a calibration and an hour
// lost when a machine is found out, a proposal that the site check shows beside
// its answer. Twenty conditioning arcs: a guess, to be set per model. A check at
// the beginning of each day's use: common practice, no source.
const (
	DefaultAttemptLimit     = 4
	DefaultCheckMinutes     = 5
	DefaultOutMinutes       = 60
	DefaultConditioningArcs = 20
	DefaultDailyCheck       = 1
)

// Setups holds the latest value of every setting in every scope. The zero value
// is empty and ready.
type Setups struct {
	byPlace map[place]Setup
	renamed map[string]string // old name to new
	own     map[string]bool   // machines that are what they are called
}

type place struct {
	scope Scope
	name  string
}

// Take folds in the next setup record, in order.
func (s *Setups) Take(r *Record) {
	if r.Setup == nil || r.Setup.Scope == ScopeTable {
		return
	}
	if s.byPlace == nil {
		s.byPlace = map[place]Setup{}
	}
	at := place{r.Setup.Scope, r.Setup.Name}
	switch at.scope {
	case ScopeMachine:
		at.name = r.Machine
	case ScopeFleet:
		at.name = ""
	}
	s.byPlace[at] = r.Setup.over(s.byPlace[at])
	if at.scope != ScopeMachine {
		return
	}
	if s.own == nil {
		s.own, s.renamed = map[string]bool{}, map[string]string{}
	}
	if sure, known := r.Counts.Get(); known {
		s.own[r.Machine] = sure
	}
	if to := r.Setup.RenamedTo; to != "" {
		s.rename(r.Machine, to)
	}
}

// rename lets the new name inherit what was stated about the old one. A name that is
// given back ends its renaming.
func (s *Setups) rename(from, to string) {
	delete(s.renamed, to)
	if from == to {
		return
	}
	s.renamed[from] = to
	old, at := s.byPlace[place{ScopeMachine, from}], place{ScopeMachine, to}
	old.RenamedTo, old.Retired = "", Opt[bool]{}
	now := s.byPlace[at]
	s.byPlace[at] = now.over(old)
}

// Named is what a machine is called now: after its renamings, itself without any.
func (s *Setups) Named(machine string) string {
	for range len(s.renamed) {
		to, ok := s.renamed[machine]
		if !ok {
			break
		}
		machine = to
	}
	return machine
}

// Renamed lists the machines that have another name now.
func (s *Setups) Renamed() []string { return slices.Sorted(maps.Keys(s.renamed)) }

// OfItsOwn says whether a setup says that the machine is one of its own, whatever
// its name looks like.
func (s *Setups) OfItsOwn(machine string) bool { return s.own[machine] }

// Clone copies the setups so that the copy may take more.
func (s *Setups) Clone() Setups {
	return Setups{byPlace: maps.Clone(s.byPlace), renamed: maps.Clone(s.renamed), own: maps.Clone(s.own)}
}

// For resolves the settings of a machine by its labels; empty labels match
// nothing.
func (s *Setups) For(machine, model, site string) Settings {
	m := s.byPlace[place{ScopeFleet, ""}]
	for _, at := range []place{{ScopeModel, model}, {ScopeSite, site}, {ScopeMachine, machine}} {
		if at.name != "" {
			nearer := s.byPlace[at]
			m = nearer.over(m)
		}
	}
	return Settings{
		AttemptLimit: m.AttemptLimit.Or(DefaultAttemptLimit),
		Target:       m.Target, Tolerance: m.Tolerance, Limit: m.Limit,
		ConditioningArcs: m.ConditioningArcs.Or(DefaultConditioningArcs), ConditioningStated: m.ConditioningArcs.Known(),
		WarmUp: m.WarmUp, Zone: m.Zone, Depot: m.Depot,
		LeadTime: m.LeadTime, SparePairs: m.SparePairs,
		CheckMinutes: m.CheckMinutes.Or(DefaultCheckMinutes),
		OutMinutes:   m.OutMinutes.Or(DefaultOutMinutes),
		DailyCheck:   m.DailyCheck.Or(DefaultDailyCheck),
		BenchPerDay:  m.BenchPerDay, BenchDays: m.BenchDays, ClosedDays: m.ClosedDays,
		Retired: m.Retired.Or(false), RenamedTo: m.RenamedTo,
	}
}

// over lays the known values of s over those of under.
func (s *Setup) over(under Setup) Setup {
	out := *s
	out.AttemptLimit = s.AttemptLimit.OrElse(under.AttemptLimit)
	out.Target = s.Target.OrElse(under.Target)
	out.Tolerance = s.Tolerance.OrElse(under.Tolerance)
	out.Limit = s.Limit.OrElse(under.Limit)
	out.ConditioningArcs = s.ConditioningArcs.OrElse(under.ConditioningArcs)
	out.WarmUp = s.WarmUp.OrElse(under.WarmUp)
	out.LeadTime = s.LeadTime.OrElse(under.LeadTime)
	out.SparePairs = s.SparePairs.OrElse(under.SparePairs)
	out.CheckMinutes = s.CheckMinutes.OrElse(under.CheckMinutes)
	out.OutMinutes = s.OutMinutes.OrElse(under.OutMinutes)
	out.DailyCheck = s.DailyCheck.OrElse(under.DailyCheck)
	out.Altitude = s.Altitude.OrElse(under.Altitude)
	out.Latitude = s.Latitude.OrElse(under.Latitude)
	out.Longitude = s.Longitude.OrElse(under.Longitude)
	out.BenchPerDay = s.BenchPerDay.OrElse(under.BenchPerDay)
	out.Retired = s.Retired.OrElse(under.Retired)
	for _, text := range []struct{ to, from *string }{{&out.Zone, &under.Zone}, {&out.Depot, &under.Depot}, {&out.BenchDays, &under.BenchDays}, {&out.ClosedDays, &under.ClosedDays}, {&out.RenamedTo, &under.RenamedTo}} {
		if *text.to == "" {
			*text.to = *text.from
		}
	}
	return out
}
