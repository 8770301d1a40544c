package plan

import (
	"cmp"
	"fmt"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// Report is the plan of one depot as programs read it.
type Report struct {
	Depot    string `json:"depot"`
	PerDay   int    `json:"machines_per_day"`
	Machines []Row  `json:"machines"`
	Pairs    Pairs  `json:"pairs"`
}

// Row is a machine on its day; the day is unknown where the weeks of the plan have no place.
// Days are written as 2006-01-02.
type Row struct {
	Depot   string            `json:"depot"`
	Day     drift.Opt[string] `json:"day"`
	Machine string            `json:"machine"`
	Site    string            `json:"site"`
	Action  advise.Action     `json:"action"`
	ActBy   drift.Opt[string] `json:"act_by"`
	// Late is by how many days it comes after its act-by date.
	Late int `json:"late_days"`
	// Chance, 0 to 1, that the pair fails by then.
	Chance drift.Opt[float64] `json:"chance_fails"`
	// Decided: somebody fixed the day. Over: the day has more machines than the bench takes.
	Decided bool `json:"decided"`
	Over    bool `json:"over"`
	// Next is what is done at the bench, a sentence.
	Next string `json:"next_step"`
}

// Pairs are the electrode pairs that the plan of a depot takes.
type Pairs struct {
	Needed  int               `json:"needed"`
	Held    drift.Opt[int64]  `json:"held"`
	Move    []Transfer        `json:"move"`
	Order   int               `json:"order"`
	OrderBy drift.Opt[string] `json:"order_by"`
	// Next says what to move and to order, in sentences.
	Next []string `json:"next_steps"`
}

// Reports are the plans of depots for programs; those without a machine are left out.
func Reports(depots []Depot) []Report {
	out := []Report{}
	for i := range depots {
		d := &depots[i]
		r := Report{Depot: d.Depot, PerDay: d.PerDay, Pairs: Pairs{Needed: d.Supply.Needed, Held: d.Supply.Held, Move: append([]Transfer{}, d.Supply.Move...), Order: d.Supply.Order, Next: append([]string{}, d.Supply.Words()...)}}
		if d.Supply.Order > 0 {
			r.Pairs.OrderBy = dayOf(d.Supply.OrderBy)
		}
		for _, day := range d.Days {
			for j := range day.Slots {
				s := &day.Slots[j]
				row := s.row(d.Depot)
				row.Day, row.Late, row.Decided, row.Over = dayOf(s.Day), s.Late, s.Decided, s.Over
				r.Machines = append(r.Machines, row)
			}
		}
		for j := range d.Unplaced {
			r.Machines = append(r.Machines, d.Unplaced[j].row(d.Depot))
		}
		if len(r.Machines) > 0 {
			out = append(out, r)
		}
	}
	return out
}

func (t *Task) row(depot string) Row {
	return Row{Depot: depot, Machine: t.Machine, Site: t.Site, Action: t.Action, ActBy: dayOf(t.ActBy), Chance: t.Chance, Next: t.Next}
}

func dayOf(t time.Time) drift.Opt[string] {
	if t.IsZero() {
		return drift.Opt[string]{}
	}
	return drift.Some(t.Format(time.DateOnly))
}

// DepotName is what people read for a depot.
func DepotName(name string) string { return cmp.Or(name, "No depot stated") }

// LateWords says how many machines come too late, "" for none.
func (d *Depot) LateWords() string {
	switch d.Late {
	case 0:
		return ""
	case 1:
		return "1 machine cannot come by the act-by date. Find another place for it, or let it stand still until then."
	}
	return fmt.Sprintf("%s cannot come by the act-by date. Find another place for them, or let them stand still until then.", phrase.Count(d.Late, "machine"))
}

// Notes say what is special about a machine's day, but for who decided it.
func (s *Slot) Notes() []string {
	var out []string
	if s.Late > 0 {
		out = append(out, phrase.Count(s.Late, "day")+" after its act-by date, "+phrase.Day(s.ActBy))
	}
	if s.Over {
		out = append(out, "more than the bench takes on this day")
	}
	return out
}

// Words say which pairs to move and to order.
func (s *Supply) Words() []string {
	var out []string
	if s.Needed > 0 && !s.Held.Known() {
		out = append(out, fmt.Sprintf("The replacements take %s. Nobody has stated how many the depot holds.", phrase.Count(s.Needed, "pair")))
	}
	for _, m := range s.Move {
		out = append(out, fmt.Sprintf("Move %s here from %s.", phrase.Count(m.Pairs, "pair"), DepotName(m.From)))
	}
	switch {
	case s.Order > 0 && s.Late:
		out = append(out, fmt.Sprintf("Order %s now: they should have been ordered by %s.", phrase.Count(s.Order, "pair"), phrase.Day(s.OrderBy)))
	case s.Order > 0:
		out = append(out, fmt.Sprintf("Order %s by %s.", phrase.Count(s.Order, "pair"), phrase.Day(s.OrderBy)))
	}
	return out
}
