package health

import (
	"slices"
	"strings"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Diary makes rows of one machine's entries. Give it the entries in order, corrected and
// without those that do not count, then close it.
type Diary struct {
	labels   *Labels
	sessions drift.Sessions
	rows     []Row
}

// NewDiary is the diary of a machine that belongs to a depot.
func NewDiary(machine, depot string) *Diary {
	return &Diary{labels: &Labels{Machine: machine, Depot: depot}}
}

// Take counts an entry and the checks that were owed at it.
func (d *Diary) Take(e *drift.Entry, owed []advise.Owed) {
	if e.Decision != nil {
		return // it tells of splices made before
	}
	moved := d.label(e)
	row := d.row(DayOf(e.When()))
	if moved {
		add(&row.Moves, 1)
	}
	if e.Service != nil && e.Service.Action != drift.Inspected {
		add(&row.Services, 1)
	}
	d.tries(row, e)
	for i := range owed {
		at := slices.Index(rules[:], owed[i].Rule)
		if at < 0 {
			continue
		}
		add(&row.Owed[at], 1)
		if owed[i].Kept {
			add(&row.Kept[at], 1)
		}
	}
}

// label keeps what the entry states of the machine, and says whether it shows a move.
func (d *Diary) label(e *drift.Entry) (moved bool) {
	next := *d.labels
	if e.Model != "" {
		next.Model = e.Model
	}
	if e.Site != "" {
		moved = next.Site != "" && !strings.EqualFold(next.Site, e.Site)
		next.Site = e.Site
	}
	if c := e.Calibration; c != nil && c.Cleaver != "" {
		next.Cleaver = c.Cleaver
	}
	if s := e.Service; s != nil && s.Action == drift.Replaced {
		next.Pair = s.Pair
	}
	if next != *d.labels {
		d.labels = &next
	}
	return moved
}

// tries counts the attempts of a calibration.
func (d *Diary) tries(row *Row, e *drift.Entry) {
	place, ok := d.sessions.Next(e)
	if !ok {
		return
	}
	c := e.Calibration
	passed := c.Passed.Or(false)
	made := int64(1) // in this record
	if c.Attempts.Known() {
		made = place.Attempt
	}
	failed := made
	if passed {
		failed--
	}
	add(&row.Tries, made)
	add(&row.Failed, failed)
	if place.New {
		add(&row.Sessions, 1)
		if passed && place.Attempt <= 1 {
			add(&row.FirstTry, 1)
		}
	}
}

// row is the row of a day under the present labels. Days between get one each.
func (d *Diary) row(day Day) *Row {
	if n := len(d.rows); n > 0 {
		last := &d.rows[n-1]
		day = max(day, last.Day) // entries are in order, their days nearly so
		if last.Day == day && last.Labels == d.labels {
			return last
		}
		for next := last.Day + 1; next < day; next++ {
			d.rows = append(d.rows, Row{Labels: last.Labels, Day: next})
		}
	}
	d.rows = append(d.rows, Row{Labels: d.labels, Day: day})
	return &d.rows[len(d.rows)-1]
}

// Close returns the rows up to a day, of each day at least one. The last row of each day
// has the state [Pending].
func (d *Diary) Close(until Day) []Row {
	if len(d.rows) == 0 {
		return nil
	}
	if d.rows[len(d.rows)-1].Day < until {
		d.row(until)
	}
	for i := range d.rows {
		if i+1 == len(d.rows) || d.rows[i+1].Day != d.rows[i].Day {
			d.rows[i].State = Pending
		}
	}
	return d.rows
}

// add adds to a small number, which stays at its maximum when it is full.
func add[T uint8 | uint16](to *T, n int64) { *to = T(min(int64(*to)+n, int64(^T(0)))) }
