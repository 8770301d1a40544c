package proof

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
)

// Check is one arc calibration: the attempts of a session.
type Check struct {
	Began, Ended  time.Time
	Site, Program string
	Operator      string
	Trigger       string
	Tries         int64
	Passed        bool
	// Found is the first attempt, nil where only the whole session was typed in and it
	// was not the only one; Left is the last.
	Found, Left *drift.Calibration
	// FoundGood is whether the first attempt passed.
	FoundGood bool
	// Correction is the sum of what the machine changed, in percent of power.
	Correction drift.Opt[float64]
}

// checksOf reads a machine's sessions, in order.
func checksOf(l *fleet.Logbook) []Check {
	var out []Check
	var sessions drift.Sessions
	for i := range l.Entries {
		e := &l.Entries[i]
		at, ok := sessions.Next(e)
		if !ok {
			continue
		}
		c := e.Calibration
		if at.New || len(out) == 0 {
			n := Check{Began: e.When(), Site: e.Site, Program: e.Program, Operator: e.Operator, Trigger: c.Trigger, Found: c, FoundGood: c.Passed.Or(false)}
			if c.Attempts.Or(1) > 1 {
				n.Found, n.FoundGood = nil, false // the attempts before the stated one failed
			}
			out = append(out, n)
		}
		n := &out[len(out)-1]
		n.Ended, n.Left, n.Passed = e.When(), c, c.Passed.Or(false)
		n.Tries += c.Attempts.Or(1)
		n.Site, n.Operator = cmp.Or(n.Site, e.Site), cmp.Or(n.Operator, e.Operator)
		if v, known := c.PowerCorrection.Get(); known {
			n.Correction = drift.Some(n.Correction.Or(0) + v)
		}
	}
	return out
}

// Day is what one machine spliced on one of its local days for one job.
type Day struct {
	Machine, Day, Job, Site string
	Splices                 int
	// Counted is whether splice records tell the number.
	Counted bool
	First   time.Time // the first splice record, zero without one
	// Before is the last check before the first splice, After the first after the day;
	// nil where there was none.
	Before, After *Check
	// Doubt is what the look-back says, nil where it says nothing.
	Doubt *lookback.Entry
}

// days are a machine's, from its splice records and from the look-back, which also tells
// of days without splice records.
func (f *Facts) days(m *Machine, checks []Check) []Day {
	type key struct{ day, job string }
	byKey := map[key]*Day{}
	at := func(day, job string) *Day {
		k := key{day, job}
		if byKey[k] == nil {
			byKey[k] = &Day{Machine: m.Machine, Day: day, Job: job}
		}
		return byKey[k]
	}
	for i := range m.Entries {
		e := &m.Entries[i]
		if e.Splice == nil || e.Splice.Made() == 0 {
			continue
		}
		d := at(e.When().In(m.Zone).Format(time.DateOnly), e.Splice.Job)
		d.Splices += int(e.Splice.Made())
		d.Counted = true
		d.Site = cmp.Or(d.Site, e.Site)
		if d.First.IsZero() {
			d.First = e.When()
		}
	}
	for i := range f.Doubt.Entries {
		e := &f.Doubt.Entries[i]
		if e.Machine != m.Machine || f.Job != "" && e.Job != f.Job {
			continue
		}
		d := at(e.Day, e.Job)
		// The look-back spreads the splices of a record over the work since the one
		// before it: its numbers add up to the same, with no splice counted twice.
		d.Doubt, d.Splices, d.Counted = e, e.Splices, e.Counted
	}
	out := make([]Day, 0, len(byKey))
	for _, d := range byKey {
		d.between(checks, m.Zone)
		out = append(out, *d)
	}
	slices.SortFunc(out, func(a, b Day) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Job, b.Job)) })
	return out
}

// between finds the checks around a day's splices.
func (d *Day) between(checks []Check, zone *time.Location) {
	begins, err := time.ParseInLocation(time.DateOnly, d.Day, zone)
	if err != nil {
		return // a look-back's day is a date
	}
	first, ends := d.First, begins.AddDate(0, 0, 1)
	if first.IsZero() {
		first = ends // when in the day is not known
	}
	for i := range checks {
		c := &checks[i]
		if !c.Ended.After(first) {
			d.Before = c
		}
		if !c.Began.Before(ends) && d.After == nil {
			d.After = c
		}
	}
}

// CheckedThatDay is whether a check passed on the day before the first splice.
func (d *Day) CheckedThatDay(zone *time.Location) bool {
	return d.Before != nil && d.Before.Passed && d.Before.Ended.In(zone).Format(time.DateOnly) == d.Day
}
