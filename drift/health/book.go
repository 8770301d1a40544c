package health

import (
	"iter"
	"maps"
	"slices"
	"sort"
	"strings"

	"arcdrift/drift/advise"
)

// Machine is what is known of one machine's days: its rows, sorted by day.
type Machine struct {
	Name string
	Rows []Row
}

// Book is what is known of a fleet's days. It does not change.
type Book struct {
	Version  uint64
	Machines []Machine // sorted by name
	// Until is the last day that is counted; zero before anything is.
	Until Day
	// Stated is the first day from which on the state of every machine is computed.
	// It is after Until as long as there is none.
	Stated Day
	// Sums are those of the same rows. Without them every question goes through all rows.
	Sums *Sums
}

// Verdict is an alert that ended on a day, and whether the bench found it right.
type Verdict struct {
	Machine string
	Day     Day
	Right   bool
}

// Sees says whether somebody may see a machine, and from which day on.
type Sees func(machine string) (from Day, sees bool)

// of is the first day of a machine that is seen.
func (s Sees) of(machine string) (from Day, sees bool) {
	if s == nil {
		return 0, true
	}
	return s(machine)
}

// Query says what to count: the days From to To, both included, of machines whose labels
// agree with Only and that Sees accepts, grouped by By. Now are the present states, which
// stand for the last day if Today is that day.
type Query struct {
	From, To Day
	Only     Labels
	By       By
	// Sees says which machines the asker may see, and from which day on; nil means all.
	Sees Sees
	// Today replaces the states of that day by the present ones of Now, which yields the
	// machines sorted by name. Zero replaces nothing.
	Today Day
	Now   iter.Seq2[string, advise.State]
	// Verdicts are the alerts that ended.
	Verdicts []Verdict
	// Brief leaves out the days of the groups.
	Brief bool
}

// Group are the counts of the machines under one label, for each day from From on, and
// their sum. The states of Total are those of all days together.
type Group struct {
	Name  string
	Days  []Counts
	Total Counts

	last   Counts // of the newest day with states
	lastOn Day
}

// Last is the newest day of which the group has states: these alone; false without one.
func (g *Group) Last() (Counts, bool) { return g.last, g.last.Machines() > 0 }

// Count sums the rows. Groups are sorted by name; without rows there is none.
func (b *Book) Count(q Query) []Group {
	whole, groups := b.Overview(q)
	switch {
	case q.By != Whole:
		return groups
	case whole == nil:
		return nil
	}
	return []Group{*whole}
}

// Overview sums the rows of the whole, nil if there are none, and by group. The whole
// always has its days.
func (b *Book) Overview(q Query) (whole *Group, groups []Group) {
	c := counter{Query: &q, groups: map[string]*Group{}}
	if q.To < q.From {
		return nil, nil
	}
	if !c.fromSums(b.Sums) {
		asked := b.Machines
		if q.Only.Machine != "" {
			asked = b.named(q.Only.Machine)
		}
		for i := range asked {
			if seen, sees := q.Sees.of(asked[i].Name); sees {
				c.machine(&asked[i], max(q.From, seen))
			}
		}
	}
	c.present(b)
	for _, v := range q.Verdicts {
		of := b.named(v.Machine)
		if len(of) == 0 || len(of[0].Rows) == 0 {
			continue
		}
		if seen, sees := q.Sees.of(v.Machine); sees && v.Day >= max(q.From, seen) && v.Day <= q.To {
			c.verdict(&of[0], v)
		}
	}
	if c.whole == nil {
		return nil, nil
	}
	for _, name := range slices.Sorted(maps.Keys(c.groups)) {
		groups = append(groups, *c.groups[name])
	}
	return c.whole, groups
}

type counter struct {
	*Query
	whole  *Group
	groups map[string]*Group // nothing for By Whole
	// labels are those looked up last, and group theirs; passes says whether they pass.
	labels *Labels
	group  *Group
	passes bool
}

// of is the group of labels, nil for By Whole; passes says whether they pass the filter.
func (c *counter) of(l *Labels) (g *Group, passes bool) {
	if l != c.labels {
		c.labels, c.group, c.passes = l, nil, l.passes(&c.Only)
		if c.passes {
			c.group = c.named(l.Of(c.By))
		}
	}
	return c.group, c.passes
}

// all is the whole.
func (c *counter) all() *Group {
	if c.whole == nil {
		c.whole = &Group{Days: make([]Counts, c.To-c.From+1)}
	}
	return c.whole
}

// named is the group of that name, nil for By Whole.
func (c *counter) named(name string) *Group {
	if c.By == Whole {
		return nil
	}
	g := c.groups[name]
	if g == nil {
		g = &Group{Name: name}
		if !c.Brief {
			g.Days = make([]Counts, c.To-c.From+1)
		}
		c.groups[name] = g
	}
	return g
}

// add adds counts of a day of the range, which begins on a day.
func (g *Group) add(n *Counts, day, from Day) {
	if g == nil {
		return
	}
	g.Total.Add(n)
	if g.Days != nil {
		g.Days[day-from].Add(n)
	}
	if n.Machines() == 0 || day < g.lastOn {
		return
	}
	if day > g.lastOn {
		g.last, g.lastOn = Counts{}, day
	}
	for i, some := range n.States {
		g.last.States[i] += some
	}
}

func (c *counter) machine(m *Machine, from Day) {
	for at := m.first(from); at < len(m.Rows) && m.Rows[at].Day <= c.To; at++ {
		row := &m.Rows[at]
		g, passes := c.of(row.Labels)
		if !passes {
			continue
		}
		var n Counts
		row.addTo(&n)
		if row.Day == c.Today {
			n.States, n.Pending = [len(n.States)]int{}, 0
		}
		c.all().add(&n, row.Day, c.From)
		g.add(&n, row.Day, c.From)
	}
}

// fromSums takes what the sums say, false if they do not say it. The states of today are
// left to present.
func (c *counter) fromSums(s *Sums) bool {
	whole, known := s.of(c.Query, Whole)
	groups, sorted := s.of(c.Query, c.By)
	if !known || !sorted {
		return false
	}
	take := func(all map[string]*series, to func(name string) *Group) {
		for name, one := range all {
			for day := max(c.From, one.first); day <= c.To && int(day-one.first) < len(one.days); day++ {
				var n Counts
				numbers := &one.days[day-one.first]
				if numbers.rows() == 0 {
					continue
				}
				numbers.addTo(&n)
				if day == c.Today {
					n.States, n.Pending = [len(n.States)]int{}, 0
				}
				to(name).add(&n, day, c.From)
			}
		}
	}
	take(whole, func(string) *Group { return c.all() })
	if c.By != Whole {
		take(groups, c.named)
	}
	return true
}

// present adds the present states of the machines that have a state today.
func (c *counter) present(b *Book) {
	if c.Today == 0 || c.Today < c.From || c.Today > c.To || c.Now == nil {
		return
	}
	rest := b.Machines
	for name, state := range c.Now {
		for len(rest) > 0 && rest[0].Name < name {
			rest = rest[1:]
		}
		if len(rest) == 0 {
			return
		}
		if rest[0].Name != name {
			continue
		}
		row := rest[0].stateRow(c.Today)
		if seen, sees := c.Sees.of(name); row == nil || !sees || seen > c.Today {
			continue
		}
		if g, passes := c.of(row.Labels); passes {
			var n Counts
			(&Row{State: StateOf(state)}).addTo(&n)
			c.all().add(&n, c.Today, c.From)
			g.add(&n, c.Today, c.From)
		}
	}
}

// named is the machine of that name, none if there is none.
func (b *Book) named(name string) []Machine {
	at, found := slices.BinarySearchFunc(b.Machines, name, func(m Machine, name string) int { return strings.Compare(m.Name, name) })
	if !found {
		return nil
	}
	return b.Machines[at : at+1]
}

// stateRow is the row that has the machine's state of a day, nil if none has.
func (m *Machine) stateRow(day Day) *Row {
	for at := len(m.Rows) - 1; at >= 0 && m.Rows[at].Day >= day; at-- {
		if r := &m.Rows[at]; r.Day == day && r.State != None {
			return r
		}
	}
	return nil
}

// first is the index of the first row from a day on.
func (m *Machine) first(day Day) int {
	return sort.Search(len(m.Rows), func(i int) bool { return m.Rows[i].Day >= day })
}

// verdict counts an alert under the labels that the machine had when it ended.
func (c *counter) verdict(m *Machine, v Verdict) {
	g, passes := c.of(m.Rows[max(m.first(v.Day+1)-1, 0)].Labels)
	if !passes {
		return
	}
	n := Counts{Wrong: 1}
	if v.Right {
		n = Counts{Right: 1}
	}
	c.all().add(&n, v.Day, c.From)
	g.add(&n, v.Day, c.From)
}

// Names are the values of every label in the book, sorted, without the empty one.
func (b *Book) Names(sees Sees) map[By][]string {
	if sees == nil && b.Sums != nil {
		return b.Sums.names()
	}
	found := map[By]map[string]bool{}
	for _, by := range Groupings() {
		found[by] = map[string]bool{}
	}
	for i := range b.Machines {
		m := &b.Machines[i]
		from, seen := sees.of(m.Name)
		if !seen {
			continue
		}
		var last *Labels
		for at := m.first(from); at < len(m.Rows); at++ {
			l := m.Rows[at].Labels
			if l == last {
				continue
			}
			last = l
			for by, values := range found {
				values[l.Of(by)] = true
			}
		}
	}
	out := map[By][]string{}
	for by, values := range found {
		delete(values, "")
		out[by] = slices.Sorted(maps.Keys(values))
	}
	return out
}
