package sheet

import (
	"fmt"
	"iter"
	"net/url"
	"slices"
	"time"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Lines reads the rows of the table as records, each with its line in the file. Prepare
// must have succeeded.
func (m *Mapping) Lines(t *Table) iter.Seq[wire.Line] {
	return func(yield func(wire.Line) bool) {
		r := reader{m: m, at: make([]int, len(m.Columns)), width: len(t.Headings), taken: map[instant]bool{}, next: map[instant]int64{}}
		for i := range m.Columns {
			r.at[i] = slices.Index(t.Headings, m.Columns[i].Heading)
		}
		for row := range t.Rows() {
			if !yield(r.line(&row)) {
				return
			}
		}
	}
}

// instant is a second of a machine.
type instant struct {
	machine string
	unix    int64
}

type reader struct {
	m     *Mapping
	at    []int // where the mapping's columns are
	width int
	taken map[instant]bool
	next  map[instant]int64 // how many seconds on a free one may be
}

func (r *reader) line(row *Row) wire.Line {
	out := wire.Line{Number: row.Line, Raw: slices.Clone(row.Raw[:min(len(row.Raw), wire.MaxRecord)])}
	var err error
	if out.Record, err = r.record(row); err != nil {
		out.Problem = drift.ProblemOf(err)
		out.Record = drift.Record{Machine: r.machine(row)}
	}
	return out
}

func (r *reader) record(row *Row) (drift.Record, error) {
	values, err := r.values(row)
	if err != nil {
		return drift.Record{}, err
	}
	record, err := wire.Row(values)
	if err != nil || record.Time.IsZero() {
		return record, err
	}
	// The place in time is taken only by a record that is kept.
	record.Time = r.place(record.Machine, record.Time)
	return record, nil
}

// values are those of a row by the names that wire reads.
func (r *reader) values(row *Row) (url.Values, error) {
	switch {
	case row.Unclosed:
		return nil, &drift.Problem{Reason: "a quote in this row is not closed"}
	case len(row.Raw) > wire.MaxRecord:
		return nil, &drift.Problem{Reason: fmt.Sprintf("the row is longer than %d bytes", wire.MaxRecord)}
	case len(row.Cells) > r.width && filled(row.Cells[r.width:]) > 0:
		return nil, &drift.Problem{Reason: fmt.Sprintf("the row has %d cells where the table has %d columns", len(row.Cells), r.width)}
	}
	values := url.Values{}
	for name, text := range r.m.Constants {
		values.Set(name, text)
	}
	var when struct{ field, day, clock string }
	for i := range r.m.Columns {
		c, cell := &r.m.Columns[i], r.cell(row, i)
		switch {
		case cell == "":
		case c.Field == Clock:
			when.clock = cell
		case c.Field == Date, c.Field == "time":
			when.field, when.day = c.Field, cell
		case c.Field == Note:
			values.Set("extra."+c.Heading, cell)
		default:
			text, problem := r.m.value(c, cell, row.isNumber(r.at[i]))
			if problem != nil {
				return nil, problem
			}
			values.Set(c.Field, text)
		}
	}
	if when.day == "" {
		if when.clock != "" {
			return nil, &drift.Problem{Field: Date, Reason: "is missing: the row has a time of day but no day"}
		}
		return nil, &drift.Problem{Field: "time", Reason: "is missing: the row does not say when it was"}
	}
	at, problem := r.m.moment(when.field, when.day, when.clock)
	if problem != nil {
		return nil, problem
	}
	values.Set("time", at.Format(time.RFC3339))
	return values, nil
}

// value is the text of a cell as wire reads it. A number of a workbook has a decimal point,
// however the table writes others.
func (m *Mapping) value(c *Column, cell string, isNumber bool) (string, *drift.Problem) {
	text, known := c.word(cell)
	if !known {
		return "", &drift.Problem{Field: c.Field, Value: cell, Reason: "must be one of the words that the mapping explains"}
	}
	f, _ := drift.FieldNamed(c.Field) // Prepare has looked for it
	if f == nil || f.Kind != drift.Number && f.Kind != drift.Integer {
		return text, nil
	}
	style := m.Numbers
	if isNumber {
		style = "1234.5"
	}
	number, reason := c.number(f, text, style)
	if reason != "" {
		return "", &drift.Problem{Field: c.Field, Value: cell, Reason: reason}
	}
	return number, nil
}

func (r *reader) cell(row *Row, column int) string {
	if at := r.at[column]; at >= 0 && at < len(row.Cells) {
		return row.Cells[at]
	}
	return ""
}

// machine is that of a refused row, "" if it has none.
func (r *reader) machine(row *Row) string {
	for i := range r.m.Columns {
		if c := &r.m.Columns[i]; c.Field == "machine" {
			name, _ := c.word(r.cell(row, i))
			return name
		}
	}
	return r.m.Constants["machine"]
}

// place is t, or the nearest second that no row before has taken: after it, or before it
// if the newest row comes first.
func (r *reader) place(machine string, t time.Time) time.Time {
	stated := instant{machine, t.Unix()}
	step := int64(1)
	if r.m.NewestFirst {
		step = -1
	}
	n := r.next[stated]
	at := instant{machine, stated.unix + step*n}
	for ; r.taken[at]; at.unix += step {
		n++
	}
	r.taken[at] = true
	if n > 0 {
		r.next[stated] = n
	}
	return t.Add(time.Duration(at.unix-stated.unix) * time.Second)
}
