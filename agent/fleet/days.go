package fleet

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/health"
)

// dayCounts are the days of all machines: what happened on each and what the state was at its
// end. A goroutine of its own computes them and rests between its steps; pages read the
// book. Counting takes one reading of each history. States take much longer, so that the
// newest month comes first.
type dayCounts struct {
	mu sync.Mutex
	// since is, of each machine with new entries, the day of the oldest of them; under ""
	// that of the oldest new setup, which concerns all.
	since map[string]health.Day
	// heard are the days that other processes have published, by machine, in their stored
	// form.
	heard map[string][]byte

	// turn is held by whoever works on the fleet: new records, or the days of one machine.
	// Learning for past days goes on beside new records, on one processor.
	turn     chan struct{}
	learning atomic.Bool

	// The rest is for the one goroutine.
	machines map[string]*machineDays
	until    health.Day // the day that the rows go to
	next     time.Time  // when new entries are counted again
	month    *month     // nil until a state has to be computed
	version  uint64
	sums     health.Summer

	book atomic.Pointer[health.Book]
}

// machineDays are the days of one machine, from the records up to a link of its chain.
type machineDays struct {
	link   []byte
	setups digest
	rows   []health.Row
}

// Days returns what is known of the fleet's days.
func (f *Fleet) Days() *health.Book {
	if b := f.days.book.Load(); b != nil {
		return b
	}
	return &health.Book{}
}

// changed notes a new entry.
func (d *dayCounts) changed(e *drift.Entry) {
	if e.Type == drift.TypeSetup {
		d.noteSince("", health.DayOf(e.Likely()))
	}
	if e.Machine != "" {
		d.noteSince(e.Machine, health.DayOf(e.Likely()))
	}
}

func (d *dayCounts) noteSince(machine string, day health.Day) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.since == nil {
		d.since = map[string]health.Day{}
	}
	if was, known := d.since[machine]; !known || day < was {
		d.since[machine] = day
	}
}

// takeSince returns and clears what changed noted.
func (d *dayCounts) takeSince() map[string]health.Day {
	d.mu.Lock()
	defer d.mu.Unlock()
	since := d.since
	d.since = nil
	return since
}

// hear notes the days of machines that other processes have published, by their names in
// the cache.
func (d *dayCounts) hear(values map[string][]byte) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.heard == nil {
		d.heard = map[string][]byte{}
	}
	for name, raw := range values {
		if machine, of := strings.CutPrefix(name, daysPrefix); of {
			d.heard[machine] = raw
		}
	}
}

// take returns and forgets what was heard of a machine, nil for nothing.
func (d *dayCounts) take(machine string) []byte {
	d.mu.Lock()
	defer d.mu.Unlock()
	raw := d.heard[machine]
	delete(d.heard, machine)
	return raw
}

// New entries are counted at most once a minute, and at most a thirtieth of the time is
// spent on it. Computing states takes at most half of one processor.
const (
	countRest   = time.Minute
	countTimes  = 30
	statesTimes = 1
)

// giveWay waits while new records are worked on.
func (d *dayCounts) giveWay() {
	d.turn <- struct{}{}
	<-d.turn
}

// countDays keeps the days up to date until ctx ends.
func (f *Fleet) countDays(ctx context.Context) {
	for ctx.Err() == nil {
		g := f.generation.Load()
		if g == nil || f.share != nil && !f.ready.Load() { // the answers come first
			pause(ctx, time.Second)
			continue
		}
		began := time.Now() // a rest is in real time, which the records' clock may outrun
		worked, err := f.dayStep(ctx, g, f.now())
		f.logError(err)
		if err != nil || !worked {
			pause(ctx, time.Second)
			continue
		}
		pause(ctx, min(statesTimes*time.Since(began), mostRest))
	}
}

// dayStep does the next piece of work, and says whether there was any.
func (f *Fleet) dayStep(ctx context.Context, g *generation, now time.Time) (worked bool, err error) {
	d := &f.days
	if d.machines == nil {
		d.machines = f.keptDays(g)
		d.until = 0
	}
	if today := health.DayOf(now); d.until != today || d.due(now) {
		d.until = today
		if err := f.countAgain(ctx, g, now); err != nil {
			return true, err
		}
		d.next = f.now().Add(max(countRest, countTimes*f.now().Sub(now)))
		return true, nil
	}
	return f.stateStep(ctx, g)
}

// due says whether entries wait to be counted and the rest since the last time is over.
func (d *dayCounts) due(now time.Time) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	left := d.next.Sub(now)
	return len(d.since)+len(d.heard) > 0 && (left <= 0 || left > 24*time.Hour) // a clock may be set back
}

// countAgain counts the entries that came since the last time.
func (f *Fleet) countAgain(ctx context.Context, g *generation, now time.Time) error {
	d := &f.days
	then, err := f.near(g, now)
	if err != nil {
		return err
	}
	since := d.takeSince()
	next := make(map[string]*machineDays, len(then.names))
	err = func() error {
		for _, name := range then.names {
			if err := ctx.Err(); err != nil {
				return err
			}
			was := d.machines[name]
			if theirs := f.daysFrom(d.take(name), name); theirs != nil {
				was = theirs
			}
			if !f.mine(name) {
				if was != nil {
					next[name] = was.extended(d.until)
				}
				continue
			}
			from, touched := oldest(since, append([]string{name, ""}, then.before[name]...))
			if was != nil && !touched {
				next[name] = was.extended(d.until)
				continue
			}
			d.turn <- struct{}{}
			m, ahead, err := then.count(name, d.until)
			<-d.turn
			if err != nil {
				return err
			}
			if !ahead.IsZero() {
				d.noteSince(name, health.DayOf(ahead))
			}
			if was != nil {
				m.inherit(was.rows, from)
			}
			next[name] = m
			f.keepDays(g, name, m)
		}
		return nil
	}()
	if err != nil {
		for name, day := range since {
			d.noteSince(name, day)
		}
		return err
	}
	d.machines = next
	if _, changed := since[""]; changed {
		d.month = nil // it was read with other setups
	}
	d.publish()
	return nil
}

// oldest is the oldest day of the named, false if none of them has one.
func oldest(since map[string]health.Day, names []string) (day health.Day, found bool) {
	for _, name := range names {
		if d, known := since[name]; known && (!found || d < day) {
			day, found = d, true
		}
	}
	return day, found
}

// count makes the rows of one machine. ahead is the time of its first entry that does not
// count yet.
func (g *generation) count(name string, until health.Day) (m *machineDays, ahead time.Time, err error) {
	l, err := g.life(name)
	if err != nil {
		return nil, ahead, err
	}
	if l.Settings.Retired {
		until = min(until, health.DayOf(l.Last))
	}
	diary := health.NewDiary(name, l.Settings.Depot)
	l.watch(g.zones.named(l.Settings.Zone), func(e *drift.Entry, owed []advise.Owed) { diary.Take(e, owed) })
	return &machineDays{link: l.Link, setups: g.setupsDigest, rows: diary.Close(until)}, l.Ahead, nil
}

// inherit takes over the states of days before a day.
func (m *machineDays) inherit(was []health.Row, before health.Day) {
	states := map[health.Day]health.State{}
	for i := range was {
		if r := &was[i]; r.Day < before && r.State != health.None {
			states[r.Day] = r.State
		}
	}
	for i := range m.rows {
		r := &m.rows[i]
		if state, known := states[r.Day]; known && r.State == health.Pending {
			r.State = state
		}
	}
}

// extended are the days up to a day on which nothing happened.
func (m *machineDays) extended(until health.Day) *machineDays {
	if len(m.rows) == 0 || m.rows[len(m.rows)-1].Day >= until || m.rows[len(m.rows)-1].State == health.None {
		return m
	}
	next := *m
	next.rows = slices.Clone(m.rows)
	for last := next.rows[len(next.rows)-1]; last.Day < until; {
		last = health.Row{Labels: last.Labels, Day: last.Day + 1, State: health.Pending}
		next.rows = append(next.rows, last)
	}
	return &next
}

// publish makes the new book.
func (d *dayCounts) publish() {
	d.version++
	b := &health.Book{Version: d.version, Until: d.until, Stated: d.until + 1}
	pending := health.Day(0)
	for _, name := range slices.Sorted(maps.Keys(d.machines)) {
		rows := d.machines[name].rows
		if len(rows) == 0 {
			continue
		}
		b.Machines = append(b.Machines, health.Machine{Name: name, Rows: rows})
		pending = max(pending, lastPending(rows, d.until))
	}
	b.Stated = pending + 1
	b.Sums = d.sums.Next(b.Machines)
	d.book.Store(b)
}

// lastPending is the last day before a day whose state is not computed; 0 if there is
// none.
func lastPending(rows []health.Row, before health.Day) health.Day {
	for _, r := range slices.Backward(rows) {
		if r.Day < before && r.State == health.Pending {
			return r.Day
		}
	}
	return 0
}

// daysPrefix begins the cache's name of a machine's days.
const daysPrefix = "@days/"

func dayName(machine string) string { return daysPrefix + machine }

// keptForm is the stored form of a machine's days, before the rows.
type keptForm struct {
	Build  string
	Setups digest
	Link   []byte
}

// keepDays has the days of a machine written to the cache with the next checkpoints.
func (f *Fleet) keepDays(g *generation, name string, m *machineDays) {
	if g.cache == nil || m.link == nil {
		return
	}
	head, err := json.Marshal(keptForm{f.checkpoints.build, m.setups, m.link})
	if err != nil {
		return // it is computed again next time
	}
	f.checkpoints.put(dayName(name), health.AppendRows(append(head, '\n'), name, m.rows))
}

// keptDays reads the days of the machines of this process that are in the cache.
func (f *Fleet) keptDays(g *generation) map[string]*machineDays {
	d, all := &f.days, map[string]*machineDays{}
	if g.cache == nil {
		return all
	}
	for _, name := range g.names {
		if !f.mine(name) {
			continue
		}
		m := f.daysFrom(d.take(name), name)
		if m == nil {
			m = f.keptDay(g, name)
		}
		if m == nil || m.setups != g.setupsDigest {
			continue
		}
		fresh, link, err := g.cache.After(name, m.link)
		if err != nil || link == nil {
			continue
		}
		for i := range fresh {
			f.days.noteSince(name, health.DayOf(fresh[i].Likely()))
		}
		all[name] = m
	}
	return all
}

// keptDay reads the days of one machine from the cache; nil for none.
func (f *Fleet) keptDay(g *generation, name string) *machineDays {
	raw, err := g.cache.Cached(dayName(name))
	if err != nil {
		return nil
	}
	return f.daysFrom(raw, name)
}

// daysFrom reads the stored form of the days of a machine; nil for none, or for those of
// another build.
func (f *Fleet) daysFrom(raw []byte, name string) *machineDays {
	head, rest, _ := bytes.Cut(raw, []byte("\n"))
	var form keptForm
	if json.Unmarshal(head, &form) != nil || form.Build != f.checkpoints.build {
		return nil
	}
	of, rows, err := health.RowsFrom(rest)
	if err != nil || of != name {
		return nil
	}
	return &machineDays{link: form.Link, setups: form.Setups, rows: rows}
}
