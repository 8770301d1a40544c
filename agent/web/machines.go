package web

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

// Machine is one row of the fleet: its answer and the site it was last at. It points to
// what others read too: nobody changes that.
type Machine struct {
	*advise.Assessment
	Site     string
	Settings *drift.Settings
	// Before are the names it had, whose records are its own.
	Before []string
	// Move is the latest decision on its day at the bench since its latest service; nil
	// without one.
	Move *plan.Move
}

// Board is a fleet, or the part of one that somebody sees, at one moment. It does not
// change, and all requests of that moment share it. What they ask of every machine is
// worked out when it is first asked for.
type Board struct {
	rows     Rows
	machines func() []Machine
	version  uint64
	columns  func() *columns
	sorted   [len(orders)]func() []int32
	plan     func() *plan.Fleet
	parts    parts
}

// Rows are the machines of a board. They do not change.
type Rows interface {
	// All are all of them, the one that needs somebody most first.
	All() []Machine
	// Find is one of them, false if there is none of that name. It looks at no others.
	Find(name string) (Machine, bool)
	// Len is how many there are.
	Len() int
}

// NewBoard makes a board of machines with a version that differs whenever an answer does; 0
// says that nothing was read yet.
func NewBoard(rows Rows, version uint64) *Board {
	b := &Board{rows: rows, machines: sync.OnceValue(rows.All), version: version}
	b.columns = sync.OnceValue(func() *columns { return columnsOf(b.machines()) })
	for i, o := range orders {
		b.sorted[i] = sync.OnceValue(func() []int32 { return o.permutation(b) })
	}
	b.plan = sync.OnceValue(b.plannedFleet)
	return b
}

// Machines are all machines, the one that needs somebody most first. Nobody may change
// them.
func (b *Board) Machines() []Machine { return b.machines() }

// Version differs whenever an answer does; 0 says that nothing was read yet.
func (b *Board) Version() uint64 { return b.version }

// columns are the values of the machines that lists are narrowed by and counted, each in a
// row of its own: to look at one value of 100,000 machines takes less than a millisecond.
type columns struct {
	byName                []int32  // the machines by name
	lower                 []string // names to search
	renamed               []int32  // machines with earlier names
	models, sites, depots labels
	state                 []uint8 // its place in advise.States
	last                  []int64 // the last record, in nanoseconds since 1970; the least for none
	asks                  []bool  // its records leave questions open
}

// labels are a column of names, few of which differ.
type labels struct {
	of    []int32  // by machine, its place in names
	names []string // sorted
}

const never = -1 << 63

func columnsOf(machines []Machine) *columns {
	n := len(machines)
	c := &columns{byName: make([]int32, n), lower: make([]string, n), state: make([]uint8, n), last: make([]int64, n), asks: make([]bool, n)}
	rank := map[advise.State]uint8{}
	for i, s := range advise.States() {
		rank[s] = uint8(i)
	}
	for i := range machines {
		m := &machines[i]
		c.byName[i], c.lower[i], c.state[i], c.asks[i], c.last[i] = int32(i), strings.ToLower(m.Machine), rank[m.State], len(m.Questions) > 0, never
		if at, known := m.Data.Last.Get(); known {
			c.last[i] = at.UnixNano()
		}
		if len(m.Before) > 0 {
			c.renamed = append(c.renamed, int32(i))
		}
	}
	slices.SortFunc(c.byName, func(a, b int32) int { return strings.Compare(machines[a].Machine, machines[b].Machine) })
	c.models = labelsOf(machines, func(m *Machine) string { return label(m.Model) })
	c.sites = labelsOf(machines, func(m *Machine) string { return m.Site })
	c.depots = labelsOf(machines, func(m *Machine) string { return m.Settings.Depot })
	return c
}

func labelsOf(machines []Machine, of func(*Machine) string) labels {
	l := labels{of: make([]int32, len(machines))}
	places := map[string]int32{}
	for i := range machines {
		name := of(&machines[i])
		at, known := places[name]
		if !known {
			at = int32(len(l.names))
			places[name] = at
			l.names = append(l.names, name)
		}
		l.of[i] = at
	}
	found := slices.Clone(l.names)
	slices.Sort(l.names)
	moved := make([]int32, len(found))
	for was, name := range found {
		at, _ := slices.BinarySearch(l.names, name)
		moved[was] = int32(at)
	}
	for i, was := range l.of {
		l.of[i] = moved[was]
	}
	return l
}

// named are the names without the empty one. Nobody may change them.
func (l *labels) named() []string {
	if len(l.names) > 0 && l.names[0] == "" {
		return l.names[1:]
	}
	return l.names
}

// which says of each name whether it passes.
func (l *labels) which(passes func(string) bool) []bool {
	out := make([]bool, len(l.names))
	for i, name := range l.names {
		out[i] = passes(name)
	}
	return out
}

// find is the machine of that name, nil if there is none.
func (b *Board) find(name string) *Machine {
	if m, there := b.rows.Find(name); there {
		return &m
	}
	return nil
}

// has says whether there is a machine of that name.
func (b *Board) has(name string) bool { return b.find(name) != nil }

// names are the names of all machines, sorted.
func (b *Board) names() []string {
	c := b.columns()
	out := make([]string, len(c.byName))
	for at, i := range c.byName {
		out[at] = b.machines()[i].Machine
	}
	return out
}

// present yields the machines by name with their states.
func (b *Board) present(yield func(machine string, state advise.State) bool) {
	for _, i := range b.columns().byName {
		if m := &b.machines()[i]; !yield(m.Machine, m.State) {
			return
		}
	}
}

// passing says which machines pass every part of a filter but the state, by their place on
// the board. What is searched for is found in names, earlier ones too, models, sites and
// depots.
func (b *Board) passing(f filter) func(i int32) bool {
	c := b.columns()
	checks := []func(i int32) bool{}
	exactly := func(l *labels, name string) {
		if name == "" {
			return
		}
		at, found := slices.BinarySearch(l.names, name)
		checks = append(checks, func(i int32) bool { return found && l.of[i] == int32(at) })
	}
	exactly(&c.models, f.Model)
	exactly(&c.sites, f.Site)
	exactly(&c.depots, f.Depot)
	if f.Query != "" {
		checks = append(checks, b.searched(strings.ToLower(f.Query)))
	}
	switch len(checks) {
	case 0:
		return func(int32) bool { return true }
	case 1:
		return checks[0]
	}
	return func(i int32) bool {
		return !slices.ContainsFunc(checks, func(passes func(int32) bool) bool { return !passes(i) })
	}
}

// searched says in which machines the text, in small letters, is found.
func (b *Board) searched(text string) func(i int32) bool {
	c := b.columns()
	found := func(name string) bool { return strings.Contains(strings.ToLower(name), text) }
	models, sites, depots := c.models.which(found), c.sites.which(found), c.depots.which(found)
	before := map[int32]bool{}
	for _, i := range c.renamed {
		before[i] = slices.ContainsFunc(b.machines()[i].Before, found)
	}
	return func(i int32) bool {
		return strings.Contains(c.lower[i], text) || models[c.models.of[i]] || sites[c.sites.of[i]] || depots[c.depots.of[i]] || before[i]
	}
}

// kept yields the places of the machines that pass every part of a filter, in its order.
func (b *Board) kept(f filter) iter.Seq[int32] {
	passes, c, state := b.passing(f), b.columns(), slices.Index(advise.States(), f.State)
	return func(yield func(int32) bool) {
		for _, i := range b.sorted[slices.Index(orders[:], f.Sort)]() {
			if (f.State == "" || int(c.state[i]) == state) && passes(i) && !yield(i) {
				return
			}
		}
	}
}

// tally counts machines by state and those with questions.
type tally struct {
	states [8]int // by the place in advise.States
	asks   int
}

// count counts the machines that pass, whatever their state.
func (b *Board) count(passes func(i int32) bool) tally {
	var t tally
	c := b.columns()
	for i := range int32(b.rows.Len()) {
		if !passes(i) {
			continue
		}
		t.states[c.state[i]]++
		if c.asks[i] {
			t.asks++
		}
	}
	return t
}

// first are the first machines, at most n, that pass and are not fit.
func (b *Board) first(n int, passes func(i int32) bool) []*Machine {
	var out []*Machine
	for i := range int32(b.rows.Len()) {
		if len(out) == n {
			break
		}
		if m := &b.machines()[i]; m.State != advise.Fit && passes(i) {
			out = append(out, m)
		}
	}
	return out
}

// of is the count of a state.
func (t *tally) of(s advise.State) int { return t.states[slices.Index(advise.States(), s)] }

// all are all that were counted, needy those of them that are not fit.
func (t *tally) all() int {
	n := 0
	for _, one := range t.states {
		n += one
	}
	return n
}

func (t *tally) needy() int { return t.all() - t.of(advise.Fit) }

// newest is the time of the latest record of machines that pass, not later than now; zero
// for none.
func (b *Board) newest(passes func(i int32) bool, now time.Time) time.Time {
	newest, until := int64(never), now.UnixNano()
	for i, at := range b.columns().last {
		if at > newest && at <= until && passes(int32(i)) {
			newest = at
		}
	}
	if newest == never {
		return time.Time{}
	}
	return time.Unix(0, newest)
}
