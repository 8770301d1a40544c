package plan

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Machine is what a plan has to know of a machine: its answer, where it was last, what
// holds for it, and the latest decision on its day.
type Machine struct {
	*advise.Assessment
	Site     string
	Settings *drift.Settings
	Move     *Move
}

// Fleet is what a plan takes from a fleet, whatever the day: the machines whose advice asks
// for the bench, and the benches of the depots.
type Fleet struct {
	asked   []Machine
	benches []Bench
}

// FleetOf is the fleet of these machines.
func FleetOf(machines []Machine) *Fleet {
	f := &Fleet{benches: benchesOf(machines)}
	for i := range machines {
		if action := machines[i].Electrode.Action; action != advise.None && action != "" {
			f.asked = append(f.asked, machines[i])
		}
	}
	return f
}

// Plan plans the bench of each depot from today on.
func (f *Fleet) Plan(now time.Time) []Depot {
	today := Today(now)
	var tasks []Task
	for i := range f.asked {
		if t, needed := taskOf(&f.asked[i], today, now); needed {
			tasks = append(tasks, t)
		}
	}
	return Make(tasks, f.benches, today)
}

// Today is the local day of a moment, at midnight UTC.
func Today(now time.Time) time.Time {
	y, m, d := now.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// taskOf is what a machine asks of the bench, if it is within the weeks of the plan.
func taskOf(m *Machine, today, now time.Time) (t Task, needed bool) {
	t = Task{Machine: m.Machine, Depot: m.Settings.Depot, Site: m.Site, Action: m.Electrode.Action, Next: m.BenchStep(now), Replace: m.Electrode.Action == advise.Replace, Stop: m.State == advise.Stop}
	if by, err := time.Parse(time.DateOnly, m.Electrode.ActBy.Or("")); err == nil {
		t.ActBy = by
	}
	if !t.Stop && t.ActBy.After(today.AddDate(0, 0, 7*Weeks)) {
		return t, false
	}
	if pace, ok := m.Electrode.ArcsPerDay.Get(); ok && !t.ActBy.IsZero() {
		t.Chance = m.Electrode.ChanceWithin(pace * max(0, t.ActBy.Sub(today).Hours()/24))
	}
	if t.Fixed = m.Move.Fixed(today); !t.Fixed.IsZero() {
		t.Move = m.Move
	}
	return t, true
}

// benchesOf are the benches of the depots: what the first machine of each that states it
// says, as with the spare pairs.
func benchesOf(machines []Machine) []Bench {
	sorted := slices.SortedFunc(slices.Values(machines), func(a, b Machine) int { return cmp.Compare(a.Machine, b.Machine) })
	stated := map[string]drift.Settings{}
	var depots []string
	for i := range sorted {
		now := sorted[i].Settings
		was, known := stated[now.Depot]
		if !known {
			depots = append(depots, now.Depot)
			was = *now
		}
		was.BenchPerDay, was.SparePairs, was.LeadTime = was.BenchPerDay.OrElse(now.BenchPerDay), was.SparePairs.OrElse(now.SparePairs), was.LeadTime.OrElse(now.LeadTime)
		was.BenchDays, was.ClosedDays = cmp.Or(was.BenchDays, now.BenchDays), cmp.Or(was.ClosedDays, now.ClosedDays)
		stated[now.Depot] = was
	}
	var out []Bench
	for _, depot := range depots {
		b := stated[depot]
		days, _ := drift.Weekdays(cmp.Or(b.BenchDays, UsualDays)) // it was checked when it was taken
		closed, _ := drift.ParseClosed(b.ClosedDays)              // so was this
		out = append(out, Bench{Depot: depot, PerDay: int(b.BenchPerDay.Or(UsualPerDay)), Days: days, Closed: closed, Pairs: b.SparePairs, LeadDays: b.LeadTime.Or(UsualLead)})
	}
	return out
}
