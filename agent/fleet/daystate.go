package fleet

import (
	"context"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/health"
)

// month is the fleet as it stood at the end of each day of a month. Its populations are
// those of the first midnight of the month: nothing later is in them, and they are learnt
// once for all of its days.
type month struct {
	first health.Day
	ends  []*generation
}

// monthOf is the first day of the month of a day, and that of the next month.
func monthOf(day health.Day) (first, next health.Day) {
	y, m, _ := day.Start().Date()
	begin := time.Date(y, m, 1, 0, 0, 0, 0, time.UTC)
	return health.DayOf(begin), health.DayOf(begin.AddDate(0, 1, 0))
}

// readMonth learns the populations of a month from the machines that sample picks, of all
// if it is nil, and reads the setups of its days, up to a day.
func (g *generation) readMonth(ctx context.Context, day, until health.Day, sample func(names []string) []string) (*month, error) {
	first, next := monthOf(day)
	then := *g
	then.cache, then.processors, then.old = nil, 1, 0
	then.cut = cut{asOf: first.Start()}
	then.learnt = then.cut.asOf
	if err := then.setUp(); err != nil {
		return nil, err
	}
	names := then.names
	if sample != nil {
		names = sample(names)
	}
	if err := then.learn(ctx, names); err != nil {
		return nil, err
	}
	m := &month{first: first}
	for d := first; d < min(next, until); d++ {
		end, err := then.at(d.End())
		if err != nil {
			return nil, err
		}
		m.ends = append(m.ends, end)
	}
	return m, nil
}

// stepTime bounds how long states are computed without a rest.
const stepTime = 200 * time.Millisecond

// stateStep computes states of the newest month that has some to compute, for as many
// machines as fit into a step. It says whether there was anything to do.
func (f *Fleet) stateStep(ctx context.Context, g *generation) (worked bool, err error) {
	d := &f.days
	newest := health.Day(0)
	for name, m := range d.machines {
		if f.mine(name) {
			newest = max(newest, lastPending(m.rows, d.until))
		}
	}
	if newest == 0 {
		return false, nil
	}
	first, _ := monthOf(newest)
	if d.month == nil || d.month.first != first || len(d.month.ends) <= int(newest-first) {
		d.turn <- struct{}{} // whoever works now has counted on that processor
		d.learning.Store(true)
		<-d.turn
		d.month, err = g.readMonth(ctx, newest, d.until, f.priors.sample)
		d.learning.Store(false)
		if err != nil {
			return true, err
		}
	}
	began := time.Now()
	for _, name := range g.names {
		m := d.machines[name]
		if m == nil || !f.mine(name) || lastPending(m.rows, d.until) < first {
			continue
		}
		if err := ctx.Err(); err != nil {
			return true, err
		}
		d.turn <- struct{}{}
		next, err := d.month.stated(name, m)
		<-d.turn
		if err != nil {
			return true, err
		}
		d.machines[name] = next
		f.keepDays(g, name, d.machines[name])
		if time.Since(began) >= stepTime {
			break
		}
	}
	d.publish()
	return true, nil
}

// stated are the days of a machine with the states of this month.
func (mo *month) stated(name string, m *machineDays) (*machineDays, error) {
	next := *m
	next.rows = slices.Clone(m.rows)
	all, _, err := mo.ends[len(mo.ends)-1].taken(name)
	if err != nil {
		return nil, err
	}
	var last *member
	var records int
	var setups digest
	for i := range next.rows {
		row := &next.rows[i]
		at := int(row.Day - mo.first)
		if row.State != health.Pending || at < 0 || at >= len(mo.ends) {
			continue
		}
		g := mo.ends[at]
		entries, _, _, _ := g.counted(slices.Clone(all))
		if last == nil || len(entries) != records || g.setupsDigest != setups {
			last = g.lived(name, slices.Clone(all), nil).answer(g)
			records, setups = len(entries), g.setupsDigest
		}
		row.State = stateOf(g, last, entries)
	}
	return &next, nil
}

// stateOf is the state of a machine at the end of a day; none for one that is retired or
// of which nothing had happened.
func stateOf(g *generation, m *member, entries []drift.Entry) health.State {
	if len(entries) == 0 || m.about.Settings.Retired {
		return health.None
	}
	return health.StateOf(g.assessed(m).State)
}
