// Package plan says which machine comes to the bench on which day of the coming weeks, and
// which spare pairs to move or to order for it. It is pure: it knows the answers of
// advise, what each bench can do, and what people decided.
//
// Each depot has its bench. A machine takes one place of one day. What people decided
// stands. The others come no sooner than a week before their act-by date; of those that
// may come, each day takes the ones with the earliest date first. For work of one place
// each this makes the greatest lateness the smallest that is possible, so that every
// act-by date is kept if any plan can (Jackson 1955; with first days Horn 1974, from
// memory). A test compares it with every possible plan of small fleets.
package plan

import (
	"cmp"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Where no setup says otherwise: four machines a day from Monday to Friday, and a month
// until ordered pairs arrive. All are proposals.
const (
	UsualPerDay = 4
	UsualDays   = "mon tue wed thu fri"
	UsualLead   = 30 // days
)

// Weeks is how far ahead a plan goes.
const Weeks = 4

// Task is a machine that needs the bench.
type Task struct {
	Machine, Depot, Site string
	// Action is what the bench is advised to do, Next the same as a sentence.
	Action advise.Action
	Next   string
	// Replace says that it takes a new pair; else it is cleaned or inspected.
	Replace bool
	// ActBy is the last day, at midnight UTC, by which it should be done; zero for none.
	ActBy time.Time
	// Chance, 0 to 1, that the pair fails by ActBy or today, whichever is later.
	Chance drift.Opt[float64]
	// Stop says that it must not splice until it is done: it comes as soon as it can.
	Stop bool
	// Fixed is the day that somebody decided, zero for none; Move the decision.
	Fixed time.Time
	Move  *Move
}

// Move is the day on which somebody decided that a machine comes to the bench. It stands
// until the machine is serviced or the day has passed.
type Move struct {
	Day        string // as 2006-01-02
	By, Reason string
	// Taken is when it was decided, Received when the record arrived.
	Taken, Received time.Time
}

// MoveOf is the move that an entry records, nil for none.
func MoveOf(e *drift.Entry) *Move {
	if e.Decision == nil || e.Decision.Verdict != drift.Bench {
		return nil
	}
	return &Move{Day: e.Decision.Day, By: cmp.Or(e.Operator, e.Account), Reason: e.Decision.Reason, Taken: e.When().UTC(), Received: e.Received.UTC()}
}

// Fixed is the day at midnight UTC, zero for no move or one whose day is before today.
func (m *Move) Fixed(today time.Time) time.Time {
	if m == nil {
		return time.Time{}
	}
	day, err := time.Parse(time.DateOnly, m.Day)
	if err != nil || day.Before(today) {
		return time.Time{}
	}
	return day
}

// Bench is what a depot can do.
type Bench struct {
	Depot  string
	PerDay int
	Days   [7]bool // by time.Weekday
	Closed drift.Closed
	// Pairs are those it holds; unknown where nobody said. LeadDays is how long an order
	// takes.
	Pairs    drift.Opt[int64]
	LeadDays float64
}

// Slot is a machine on its day.
type Slot struct {
	Task
	Day time.Time
	// Late is by how many days it comes after its act-by date.
	Late int
	// Decided: somebody fixed the day. Over: with it the day has more machines than the
	// bench takes.
	Decided, Over bool
}

// Day is a working day of one bench.
type Day struct {
	Date  time.Time
	Slots []Slot
	Free  int
}

// Supply is what to do about the pairs of a depot.
type Supply struct {
	Depot string
	// Needed are the pairs that the planned replacements take; Held is known where the
	// depot states it.
	Needed int
	Held   drift.Opt[int64]
	// Move are pairs to fetch from other depots that have more than they need, Order those
	// that nobody has; OrderBy is the last day on which an order arrives in time, Late
	// whether that has passed.
	Move    []Transfer
	Order   int
	OrderBy time.Time
	Late    bool
}

// Transfer is a number of pairs from another depot.
type Transfer struct {
	From  string `json:"from"`
	Pairs int    `json:"pairs"`
}

// Depot is the plan of one bench.
type Depot struct {
	Bench
	Days   []Day
	Supply Supply
	// Unplaced are machines for which the weeks of the plan have no place.
	Unplaced []Task
	// Late counts machines that come after their act-by date.
	Late int
}

// Machines counts those that the plan has a day for or no place.
func (d *Depot) Machines() int {
	n := len(d.Unplaced)
	for i := range d.Days {
		n += len(d.Days[i].Slots)
	}
	return n
}

// Make plans from today, at midnight UTC, on.
func Make(tasks []Task, benches []Bench, today time.Time) []Depot {
	byDepot := map[string][]Task{}
	for _, t := range tasks {
		byDepot[t.Depot] = append(byDepot[t.Depot], t)
	}
	out := make([]Depot, 0, len(benches))
	for _, b := range benches {
		out = append(out, planOf(b, byDepot[b.Depot], today))
	}
	slices.SortFunc(out, func(a, b Depot) int { return cmp.Compare(a.Depot, b.Depot) })
	supply(out, today)
	return out
}

func planOf(b Bench, tasks []Task, today time.Time) Depot {
	d := Depot{Bench: b}
	for day := today; day.Before(today.AddDate(0, 0, 7*Weeks)); day = day.AddDate(0, 0, 1) {
		if b.works(day) {
			d.Days = append(d.Days, Day{Date: day, Free: b.PerDay})
		}
	}
	tasks = slices.Clone(tasks)
	slices.SortStableFunc(tasks, urgency)
	for _, t := range tasks {
		if !t.Fixed.IsZero() {
			d.fix(t)
		}
	}
	open := slices.DeleteFunc(tasks, func(t Task) bool { return !t.Fixed.IsZero() })
	for at := range d.Days {
		for i := 0; i < len(open) && d.Days[at].Free > 0; {
			if open[i].from().After(d.Days[at].Date) {
				i++
				continue
			}
			d.put(at, open[i], false)
			open = slices.Delete(open, i, i+1)
		}
	}
	d.Unplaced = open
	for i := range d.Days {
		for _, s := range d.Days[i].Slots {
			if s.Late > 0 {
				d.Late++
			}
		}
	}
	return d
}

// works says whether the bench takes machines on that day.
func (b *Bench) works(day time.Time) bool { return b.Days[day.Weekday()] && !b.Closed.On(day) }

// urgency is the order in which machines take places: those that stand still, then by
// act-by date, then the likelier to fail, then by name.
func urgency(a, b Task) int {
	due := func(t *Task) int64 {
		switch {
		case t.Stop:
			return -1 << 62
		case t.ActBy.IsZero():
			return 1<<63 - 1
		}
		return t.ActBy.Unix()
	}
	return cmp.Or(cmp.Compare(due(&a), due(&b)), cmp.Compare(b.Chance.Or(0), a.Chance.Or(0)), cmp.Compare(a.Machine, b.Machine))
}

// fix puts a machine on the day that somebody decided, also if the bench does not work or
// is full.
func (d *Depot) fix(t Task) {
	at, found := slices.BinarySearchFunc(d.Days, t.Fixed, func(day Day, to time.Time) int { return day.Date.Compare(to) })
	if !found {
		d.Days = slices.Insert(d.Days, at, Day{Date: t.Fixed})
	}
	d.put(at, t, true)
}

func (d *Depot) put(at int, t Task, decided bool) {
	day := &d.Days[at]
	slot := Slot{Task: t, Day: day.Date, Decided: decided, Over: day.Free <= 0}
	if !t.ActBy.IsZero() && day.Date.After(t.ActBy) {
		slot.Late = int(day.Date.Sub(t.ActBy).Hours()/24 + 0.5)
	}
	day.Slots = append(day.Slots, slot)
	day.Free--
}

// from is the first day on which a machine comes unless somebody decides: a week before
// it must, so that neither its pair nor the bench's time is spent too soon.
func (t *Task) from() time.Time {
	if t.Stop || t.ActBy.IsZero() {
		return time.Time{}
	}
	return t.ActBy.AddDate(0, 0, -7)
}

// supply says for each depot which pairs to move and to order. Pairs that a depot has
// beyond its own need go first to the depot that needs them first.
func supply(all []Depot, today time.Time) {
	spare := map[string]int{}
	for i := range all {
		d := &all[i]
		d.Supply = Supply{Depot: d.Depot, Needed: len(d.replacements()), Held: d.Pairs}
		if held, ok := d.Pairs.Get(); ok {
			spare[d.Depot] = max(0, int(held)-d.Supply.Needed)
		}
	}
	for _, d := range shortFirst(all) {
		held := int(d.Pairs.Or(0))
		short := d.Supply.Needed - held
		for i := range all {
			from := all[i].Depot
			if n := min(short, spare[from]); n > 0 {
				spare[from] -= n
				short -= n
				d.Supply.Move = append(d.Supply.Move, Transfer{from, n})
			}
		}
		if short == 0 {
			continue
		}
		first := d.replacements()[d.Supply.Needed-short]
		d.Supply.Order = short
		d.Supply.OrderBy = first.AddDate(0, 0, -int(d.LeadDays+0.999))
		d.Supply.Late = d.Supply.OrderBy.Before(today)
	}
}

// shortFirst are the depots that state their pairs and lack some, in the order in which
// they run out.
func shortFirst(all []Depot) []*Depot {
	var out []*Depot
	for i := range all {
		if held, ok := all[i].Pairs.Get(); ok && all[i].Supply.Needed > int(held) {
			out = append(out, &all[i])
		}
	}
	slices.SortStableFunc(out, func(a, b *Depot) int {
		return a.replacements()[a.Pairs.Or(0)].Compare(b.replacements()[b.Pairs.Or(0)])
	})
	return out
}

// replacements are the days of the planned replacements, in order.
func (d *Depot) replacements() []time.Time {
	var out []time.Time
	for i := range d.Days {
		for j := range d.Days[i].Slots {
			if d.Days[i].Slots[j].Replace {
				out = append(out, d.Days[i].Date)
			}
		}
	}
	return out
}
