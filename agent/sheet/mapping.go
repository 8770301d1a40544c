package sheet

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Mapping says how a table becomes records. It is the file that `arcdrift import --map`
// reads, and what the page keeps for the next month.
type Mapping struct {
	// Name tells mappings apart: what the table is called.
	Name string `json:"name,omitempty"`
	// Encoding and Delimiter; "" finds them in the file.
	Encoding  string `json:"encoding,omitempty"`
	Delimiter string `json:"delimiter,omitempty"`
	// Sheet of a workbook; "" is the first.
	Sheet string `json:"sheet,omitempty"`
	// Numbers is how numbers are written, one of Numbers(); "" refuses what can be read in
	// two ways.
	Numbers string `json:"numbers,omitempty"`
	// Dates is how dates are written, one of Dates().
	Dates string `json:"dates,omitempty"`
	// Zone is the time zone of times without an offset.
	Zone string `json:"zone,omitempty"`
	// Clock is the time of day, as 15:04, of rows without one.
	Clock string `json:"clock,omitempty"`
	// NewestFirst: later rows happened earlier.
	NewestFirst bool `json:"newest_first,omitempty"`
	// Columns are those that are read; others are left out.
	Columns []Column `json:"columns"`
	// Constants are values by field name that hold for every row.
	Constants map[string]string `json:"constants,omitempty"`

	zone  *time.Location
	clock time.Duration
}

// Column says what one column of the table is.
type Column struct {
	Heading string `json:"heading"`
	// Field is a field of a record, or Date, Clock or Note.
	Field string `json:"field"`
	// Unit of a field that people measure in several, one of wire.UnitsOf.
	Unit string `json:"unit,omitempty"`
	// Words are what the table writes, and the value that it stands for.
	Words map[string]string `json:"words,omitempty"`
}

// What a column can be besides a field of a record.
const (
	Date  = "date"  // the day, where the time of day is elsewhere
	Clock = "clock" // the time of day
	Note  = "note"  // kept in extra, under its heading
)

// MaxMapping is the greatest length of a mapping in bytes.
const MaxMapping = wire.MaxExtra

// ParseMapping reads a mapping file. An unknown entry is an error, so that a misspelt one
// is not ignored.
func ParseMapping(text []byte) (*Mapping, error) {
	m := &Mapping{}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(m); err != nil {
		return nil, fmt.Errorf("the mapping cannot be read: %w", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("the mapping cannot be read: there is text behind it")
	}
	return m, nil
}

// Prepare checks the mapping and makes it ready to read rows. The error is a
// *drift.Problem.
func (m *Mapping) Prepare() error {
	if m.Zone != "" {
		var err error
		if m.zone, err = time.LoadLocation(m.Zone); err != nil || m.Zone == "Local" {
			return &drift.Problem{Field: "zone", Value: m.Zone, Reason: "is not a time zone that this computer knows. Write it like Europe/Oslo"}
		}
	}
	if m.Numbers != "" && !slices.Contains(Numbers(), m.Numbers) {
		return &drift.Problem{Field: "numbers", Value: m.Numbers, Reason: "must be one of " + strings.Join(Numbers(), " ")}
	}
	if m.Dates != "" && layoutOf(m.Dates) == "" {
		return &drift.Problem{Field: "dates", Value: m.Dates, Reason: "must be one of " + strings.Join(Dates(), " ")}
	}
	if m.Clock != "" {
		at, ok := clockOf(m.Clock)
		if !ok {
			return &drift.Problem{Field: "clock", Value: m.Clock, Reason: "must be a time of day like 07:30"}
		}
		m.clock = at
	}
	return m.checkColumns()
}

func (m *Mapping) checkColumns() error {
	fields, headings := map[string]bool{}, map[string]bool{}
	for i := range m.Columns {
		c := &m.Columns[i]
		if headings[c.Heading] || c.Heading == "" {
			return &drift.Problem{Field: "columns", Value: c.Heading, Reason: "must name each heading once"}
		}
		headings[c.Heading] = true
		if err := c.check(); err != nil {
			return err
		}
		if _, constant := m.Constants[c.Field]; constant || fields[c.Field] && c.Field != Note {
			return &drift.Problem{Field: c.Field, Reason: "is mapped twice: one column, or one value for all rows, can give it"}
		}
		fields[c.Field] = true
	}
	for name := range m.Constants {
		if _, ok := drift.FieldNamed(name); !ok {
			return drift.UnknownField(name)
		}
		if name == "id" || name == "time" {
			return &drift.Problem{Field: name, Reason: "differs from row to row: a column must give it"}
		}
	}
	if fields["time"] && (fields[Date] || fields[Clock]) {
		return &drift.Problem{Field: "time", Reason: "is mapped twice: map one column as date and time, or one as date and one as time of day"}
	}
	return nil
}

func (c *Column) check() error {
	if c.Field == Date || c.Field == Clock || c.Field == Note {
		return nil
	}
	f, ok := drift.FieldNamed(c.Field)
	if !ok {
		return drift.UnknownField(c.Field)
	}
	units := wire.UnitsOf(f.Name)
	if _, ok := wire.UnitNamed(f.Name, c.Unit); c.Unit != "" && !ok {
		var names []string
		for _, u := range units {
			names = append(names, u.Name)
		}
		if len(names) == 0 {
			return &drift.Problem{Field: f.Name, Reason: "takes no unit"}
		}
		return &drift.Problem{Field: f.Name, Value: c.Unit, Reason: "must have one of the units " + strings.Join(names, ", ")}
	}
	return nil
}

// Open lists what must still be stated before rows can be read, as the names of the
// mapping's entries and of fields.
func (m *Mapping) Open() []string {
	given := map[string]bool{}
	for name := range m.Constants {
		given[name] = true
	}
	for i := range m.Columns {
		given[m.Columns[i].Field] = true
	}
	var open []string
	need := func(is bool, name string) {
		if is {
			open = append(open, name)
		}
	}
	need(!given["type"], "type")
	need(!given["machine"], "machine")
	need(!given["time"] && !given[Date] && !given[Clock], "time")
	need(given[Clock] && !given[Date] && !given["time"], Date)
	need(m.Dates == "", "dates")
	need(m.Zone == "", "zone")
	need(given[Date] && !given[Clock] && m.Clock == "", Clock)
	return open
}

// within says whether all columns are among the headings.
func (m *Mapping) within(headings []string) bool {
	return !slices.ContainsFunc(m.Columns, func(c Column) bool { return !slices.Contains(headings, c.Heading) })
}

// fits says which column of the mapping the table lacks.
func (m *Mapping) fits(t *Table) error {
	for i := range m.Columns {
		if name := m.Columns[i].Heading; !slices.Contains(t.Headings, name) {
			return &drift.Problem{Field: "columns", Value: name, Reason: "is not among the headings of this table"}
		}
	}
	return nil
}

// fold is how words are compared.
func fold(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// word is what a cell stands for; false if the column names its words and this is none.
func (c *Column) word(cell string) (string, bool) {
	if len(c.Words) == 0 {
		return cell, true
	}
	if value, ok := c.Words[cell]; ok {
		return value, true
	}
	for word, value := range c.Words {
		if fold(word) == fold(cell) {
			return value, true
		}
	}
	return cell, !c.closed()
}

// closed says whether the field takes few values only.
func (c *Column) closed() bool {
	f, ok := drift.FieldNamed(c.Field)
	return ok && (f.Kind == drift.Flag || f.Words != nil)
}
