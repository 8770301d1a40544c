// Package health counts the state of a fleet over time: machines in each state by day,
// calibrations and tries, checks that the rules asked for, services, moves and alerts,
// for the whole fleet or by group. It is pure counting; what a state is, and which check
// is due, says package advise.
//
// Days are days of UTC. A [Diary] turns one machine's records into rows, a [Book] holds
// the rows of all machines, and [Book.Count] sums them.
package health

import (
	"slices"
	"time"

	"arcdrift/drift/advise"
)

// Day is a day of UTC: the number of days since 1 January 1970.
type Day int32

// DayOf is the day of a moment.
func DayOf(t time.Time) Day { return Day(t.Unix() / (24 * 60 * 60)) }

// Start is the midnight at which the day begins.
func (d Day) Start() time.Time { return time.Unix(int64(d)*24*60*60, 0).UTC() }

// End is the midnight at which the day ends.
func (d Day) End() time.Time { return (d + 1).Start() }

// Labels are what a machine's day is grouped by. A label is empty where no record states
// it.
type Labels struct {
	Machine, Model, Site, Depot, Cleaver, Pair string
}

// By is a label to group by.
type By string

// The labels to group by. Whole makes one group of all.
const (
	Whole     By = ""
	ByModel   By = "model"
	BySite    By = "site"
	ByDepot   By = "depot"
	ByCleaver By = "cleaver"
	ByPair    By = "pair"
	ByMachine By = "machine"
)

// Groupings are the labels to choose from.
func Groupings() []By { return []By{ByModel, BySite, ByDepot, ByCleaver, ByPair} }

// Of is the value of one label; "" for [Whole].
func (l *Labels) Of(by By) string {
	switch by {
	case ByModel:
		return l.Model
	case BySite:
		return l.Site
	case ByDepot:
		return l.Depot
	case ByCleaver:
		return l.Cleaver
	case ByPair:
		return l.Pair
	case ByMachine:
		return l.Machine
	}
	return ""
}

// passes says whether the labels agree with every label of the filter that is not empty.
func (l *Labels) passes(only *Labels) bool {
	same := func(a, b string) bool { return b == "" || a == b }
	return same(l.Machine, only.Machine) && same(l.Model, only.Model) && same(l.Site, only.Site) &&
		same(l.Depot, only.Depot) && same(l.Cleaver, only.Cleaver) && same(l.Pair, only.Pair)
}

// rules are the rules whose checks are counted, by their place in [Counts.Checks].
var rules = [...]advise.DueReason{advise.StartOfDay, advise.ElectrodeWork, advise.Moved}

// Rules lists the rules whose checks are counted, in the order of [Counts.Checks].
func Rules() []advise.DueReason { return rules[:] }

// Counts are sums over days of machines.
type Counts struct {
	// States are machines at the end of a day, by their place in advise.States. Pending
	// are those whose state at that time is not computed yet.
	States  [5]int
	Pending int
	// Sessions are calibrations, FirstTry those whose first try passed. Tries are single
	// attempts, Failed those that did not pass.
	Sessions, FirstTry, Tries, Failed int
	Services, Moves                   int
	// Checks are what each of [Rules] asked for and how many of these were made.
	Checks [len(rules)]advise.Tally
	// Right and Wrong are alerts that ended, by what the bench found.
	Right, Wrong int
}

// Add adds other counts.
func (c *Counts) Add(o *Counts) {
	for i, n := range o.States {
		c.States[i] += n
	}
	c.Pending += o.Pending
	c.Sessions += o.Sessions
	c.FirstTry += o.FirstTry
	c.Tries += o.Tries
	c.Failed += o.Failed
	c.Services += o.Services
	c.Moves += o.Moves
	for i, t := range o.Checks {
		c.Checks[i].Owed += t.Owed
		c.Checks[i].Kept += t.Kept
	}
	c.Right += o.Right
	c.Wrong += o.Wrong
}

// Machines is how many machines have a state.
func (c *Counts) Machines() int {
	n := 0
	for _, m := range c.States {
		n += m
	}
	return n
}

// State is how a row keeps the state of a day.
type State uint8

// None is no state: the machine has another row on that day, or is not in use. Pending
// says that the state is not computed yet. Those of advise.States follow.
const (
	None State = iota
	Pending
	firstState
)

// StateOf is a machine's state as a row keeps it; None for one that is not known.
func StateOf(s advise.State) State {
	if at := slices.Index(advise.States(), s); at >= 0 {
		return firstState + State(at)
	}
	return None
}

// Row is what happened to one machine on one day under the same labels. Numbers are kept
// small, because a fleet has many rows; more than they hold counts as their maximum.
type Row struct {
	Labels                            *Labels
	Day                               Day
	Sessions, FirstTry, Tries, Failed uint16
	Services, Moves                   uint8
	Owed, Kept                        [len(rules)]uint8
	State                             State
}

// addTo adds the row to counts.
func (r *Row) addTo(c *Counts) {
	switch {
	case r.State >= firstState:
		c.States[r.State-firstState]++
	case r.State == Pending:
		c.Pending++
	}
	c.Sessions += int(r.Sessions)
	c.FirstTry += int(r.FirstTry)
	c.Tries += int(r.Tries)
	c.Failed += int(r.Failed)
	c.Services += int(r.Services)
	c.Moves += int(r.Moves)
	for i := range r.Owed {
		c.Checks[i].Owed += int(r.Owed[i])
		c.Checks[i].Kept += int(r.Kept[i])
	}
}
