package health

import (
	"maps"
	"slices"
)

// summed are the labels whose sums are kept by day. A fleet has few values of these;
// cleavers and lots of pairs may be as many as machines.
var summed = [...]By{Whole, ByModel, BySite, ByDepot}

// Sums are the counts of all rows of a fleet by day, for the whole of it and for each
// value of some labels. They do not change.
type Sums struct {
	series map[By]map[string]*series
	// rows counts the rows under each value of every label.
	rows map[By]map[string]int
}

// series are the counts of the days from first on.
type series struct {
	first Day
	days  []flat
	turn  uint64 // in which it was made
}

// flat are the numbers of Counts that rows have, in half the space, and how many rows.
type flat [19]int32

// with adds a row, times 1 or -1.
func (f *flat) with(r *Row, times int32) {
	if r.State != None {
		at := 5 // Pending
		if r.State >= firstState {
			at = int(r.State - firstState)
		}
		f[at] += times
	}
	for i, n := range [...]int32{int32(r.Sessions), int32(r.FirstTry), int32(r.Tries), int32(r.Failed), int32(r.Services), int32(r.Moves)} {
		f[6+i] += times * n
	}
	for i := range r.Owed {
		f[12+2*i] += times * int32(r.Owed[i])
		f[13+2*i] += times * int32(r.Kept[i])
	}
	f[18] += times
}

// addTo adds the numbers to counts.
func (f *flat) addTo(c *Counts) {
	for i := range c.States {
		c.States[i] += int(f[i])
	}
	for i, to := range [...]*int{&c.Pending, &c.Sessions, &c.FirstTry, &c.Tries, &c.Failed, &c.Services, &c.Moves} {
		*to += int(f[5+i])
	}
	for i := range c.Checks {
		c.Checks[i].Owed += int(f[12+2*i])
		c.Checks[i].Kept += int(f[13+2*i])
	}
}

// rows is how many rows were added.
func (f *flat) rows() int32 { return f[18] }

// Summer keeps sums up to date as rows change. The zero value has no rows. It is for one
// goroutine.
type Summer struct {
	now      Sums
	machines []Machine // what is in the sums
	turn     uint64
	// Of the rows added last: their labels, how many they are, and what is summed under
	// these labels.
	labels *Labels
	rows   int
	under  [len(summed)]*series
}

// Next returns the sums of these machines, sorted by name, whose rows nobody changes. It
// takes time for those that differ from the machines of the last call.
func (s *Summer) Next(machines []Machine) *Sums {
	if s.now.series == nil {
		s.now = Sums{map[By]map[string]*series{}, map[By]map[string]int{}}
		for _, by := range summed {
			s.now.series[by] = map[string]*series{}
		}
		for _, by := range Groupings() {
			s.now.rows[by] = map[string]int{}
		}
	}
	s.turn++
	was := s.machines
	for i := range machines {
		for ; len(was) > 0 && was[0].Name < machines[i].Name; was = was[1:] {
			s.replace(was[0].Rows, nil)
		}
		var before []Row
		if len(was) > 0 && was[0].Name == machines[i].Name {
			before, was = was[0].Rows, was[1:]
		}
		s.replace(before, machines[i].Rows)
	}
	for i := range was {
		s.replace(was[i].Rows, nil)
	}
	s.turnTo(nil)
	s.machines = machines
	out := &Sums{map[By]map[string]*series{}, map[By]map[string]int{}}
	for by, all := range s.now.series {
		out.series[by] = maps.Clone(all)
	}
	for by, all := range s.now.rows {
		out.rows[by] = maps.Clone(all)
	}
	return out
}

// replace has the rows of a machine in the place of those before.
func (s *Summer) replace(was, now []Row) {
	if len(was) > 0 && len(now) == len(was) && &was[0] == &now[0] {
		return
	}
	same := 0
	for same < len(was) && same < len(now) && was[same].Day == now[same].Day {
		if !was[same].equals(&now[same]) {
			s.add(&was[same], -1)
			s.add(&now[same], 1)
		}
		same++
	}
	for i := range was[same:] {
		s.add(&was[same+i], -1)
	}
	for i := range now[same:] {
		s.add(&now[same+i], 1)
	}
}

// equals says whether the rows are the same under the same labels.
func (r *Row) equals(other *Row) bool {
	if *r == *other {
		return true
	}
	one := *r
	one.Labels = other.Labels
	return one == *other && *r.Labels == *other.Labels
}

// add adds a row, times 1 or -1.
func (s *Summer) add(r *Row, times int32) {
	if r.Labels != s.labels {
		s.turnTo(r.Labels)
	}
	s.rows += int(times)
	for _, one := range s.under {
		one.on(r.Day).with(r, times)
	}
}

// turnTo writes down how many rows were added under the labels before, and finds what is
// summed under these: rows of the same labels come one after the other. Series that are
// changed are new ones in each turn, so that what was returned before stays as it was.
func (s *Summer) turnTo(l *Labels) {
	if s.labels != nil {
		for by, rows := range s.now.rows {
			name := s.labels.Of(by)
			if rows[name] += s.rows; rows[name] == 0 {
				delete(rows, name)
				delete(s.now.series[by], name)
			}
		}
	}
	s.labels, s.rows = l, 0
	for i, by := range summed {
		if l == nil {
			return
		}
		all, name := s.now.series[by], l.Of(by)
		switch was := all[name]; {
		case was == nil:
			all[name] = &series{turn: s.turn}
		case was.turn != s.turn:
			all[name] = &series{was.first, slices.Clone(was.days), s.turn}
		}
		s.under[i] = all[name]
	}
}

// on are the numbers of a day.
func (s *series) on(day Day) *flat {
	if len(s.days) == 0 {
		s.first = day
	}
	if day < s.first {
		s.days = slices.Concat(make([]flat, s.first-day), s.days)
		s.first = day
	}
	if missing := int(day-s.first) + 1 - len(s.days); missing > 0 {
		s.days = append(s.days, make([]flat, missing)...)
	}
	return &s.days[day-s.first]
}

// names are the values of every label, sorted, without the empty one.
func (s *Sums) names() map[By][]string {
	out := map[By][]string{}
	for by, rows := range s.rows {
		named := maps.Clone(rows)
		delete(named, "")
		out[by] = slices.Sorted(maps.Keys(named))
	}
	return out
}

// of are the series that answer a question, by the name of their group; false if the sums
// do not tell that.
func (s *Sums) of(q *Query, by By) (map[string]*series, bool) {
	if s == nil || q.Sees != nil {
		return nil, false
	}
	if (q.Only == Labels{}) {
		all, kept := s.series[by]
		return all, kept
	}
	for _, label := range summed[1:] {
		value := q.Only.Of(label)
		if only := (Labels{}).with(label, value); value == "" || q.Only != only {
			continue
		}
		one := s.series[label][value]
		switch {
		case one == nil:
			return nil, true
		case by == Whole:
			return map[string]*series{"": one}, true
		case by == label:
			return map[string]*series{value: one}, true
		}
	}
	return nil, false
}

// with are the labels with another value of one.
func (l Labels) with(by By, value string) Labels {
	switch by {
	case ByModel:
		l.Model = value
	case BySite:
		l.Site = value
	case ByDepot:
		l.Depot = value
	}
	return l
}
