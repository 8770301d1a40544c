package health

import (
	"maps"
	"slices"
	"sort"

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
	Machines []Machine
	// Until is the last day that is counted; zero before anything is.
	Until Day
	// Stated is the first day from which on the state of every machine is computed.
	// It is after Until as long as there is none.
	Stated Day
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
	// Today replaces the state of that day by the present ones of Now, by machine. Zero
	// replaces nothing.
	Today Day
	Now   map[string]advise.State
	// Verdicts are the alerts that ended.
	Verdicts []Verdict
}

// Group are the counts of the machines under one label, for each day from From on, and
// their sum. The states of Total are those of all days together.
type Group struct {
	Name  string
	Days  []Counts
	Total Counts
}

// Last is the newest day of which the group has states; false without one.
func (g *Group) Last() (Counts, bool) {
	for _, c := range slices.Backward(g.Days) {
		if c.Machines() > 0 {
			return c, true
		}
	}
	return Counts{}, false
}

// Count sums the rows. Groups are sorted by name; without rows there is none.
func (b *Book) Count(q Query) []Group {
	c := counter{Query: &q, groups: map[string]*Group{}}
	verdicts := map[string][]Verdict{}
	for _, v := range q.Verdicts {
		verdicts[v.Machine] = append(verdicts[v.Machine], v)
	}
	for i := range b.Machines {
		m := &b.Machines[i]
		seen, sees := q.Sees.of(m.Name)
		if !sees || q.To < q.From {
			continue
		}
		c.machine(m, max(q.From, seen))
		for _, v := range verdicts[m.Name] {
			if v.Day >= max(q.From, seen) && v.Day <= q.To && len(m.Rows) > 0 {
				c.verdict(m, v)
			}
		}
	}
	out := make([]Group, 0, len(c.groups))
	for _, name := range slices.Sorted(maps.Keys(c.groups)) {
		g := c.groups[name]
		for i := range g.Days {
			g.Total.Add(&g.Days[i])
		}
		out = append(out, *g)
	}
	return out
}

type counter struct {
	*Query
	groups map[string]*Group
	// labels are those looked up last, and group theirs; nil if they do not pass.
	labels *Labels
	group  *Group
}

// of is the group of labels, nil if they do not pass the filter.
func (c *counter) of(l *Labels) *Group {
	if l == c.labels {
		return c.group
	}
	c.labels, c.group = l, nil
	if !l.passes(&c.Only) {
		return nil
	}
	name := l.Of(c.By)
	g := c.groups[name]
	if g == nil {
		g = &Group{Name: name, Days: make([]Counts, c.To-c.From+1)}
		c.groups[name] = g
	}
	c.group = g
	return g
}

func (c *counter) machine(m *Machine, from Day) {
	for at := m.first(from); at < len(m.Rows) && m.Rows[at].Day <= c.To; at++ {
		row := &m.Rows[at]
		g := c.of(row.Labels)
		if g == nil {
			continue
		}
		if row.Day == c.Today && row.State != None {
			present := *row
			present.State = StateOf(c.Now[m.Name])
			row = &present
		}
		row.addTo(&g.Days[row.Day-c.From])
	}
}

// first is the index of the first row from a day on.
func (m *Machine) first(day Day) int {
	return sort.Search(len(m.Rows), func(i int) bool { return m.Rows[i].Day >= day })
}

// verdict counts an alert under the labels that the machine had when it ended.
func (c *counter) verdict(m *Machine, v Verdict) {
	at := max(m.first(v.Day+1)-1, 0)
	g := c.of(m.Rows[at].Labels)
	switch {
	case g == nil:
	case v.Right:
		g.Days[v.Day-c.From].Right++
	default:
		g.Days[v.Day-c.From].Wrong++
	}
}

// Names are the values of every label in the book, sorted, without the empty one.
func (b *Book) Names(sees Sees) map[By][]string {
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
