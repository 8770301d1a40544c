package wire

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"

	"arcdrift/drift"
)

// CSV reads one record per row under a header of field names. A faulty row is refused and
// reading goes on; a faulty header ends it.
func CSV(r io.Reader) iter.Seq[Line] {
	return func(yield func(Line) bool) {
		var rows *rowReader
		for l := range split(r) {
			if l.err != nil {
				yield(Line{Number: l.number, Err: l.err})
				return
			}
			if rows == nil {
				var err error
				if rows, err = readHeader(l); err != nil {
					yield(Line{Number: l.number, Raw: slices.Clone(l.text), Err: err})
					return
				}
				continue
			}
			if out, blank := rows.line(l); !blank && !yield(out) {
				return
			}
		}
	}
}

// rowReader reads rows one line at a time, so that a stray quote spoils its row only.
type rowReader struct {
	text    *bytes.Reader
	cells   *csv.Reader
	columns []column // without a name where the column must stay empty
	numbers notation
}

func readHeader(l textLine) (*rowReader, error) {
	if l.cut {
		return nil, tooLong()
	}
	h := &rowReader{text: bytes.NewReader(nil)}
	h.cells = csv.NewReader(h.text)
	h.cells.FieldsPerRecord = -1
	h.cells.ReuseRecord = true
	if bytes.IndexByte(l.text, ';') >= 0 {
		h.numbers = withComma
		h.cells.Comma = ';'
	}
	names, err := h.read(l.text)
	if err != nil {
		return nil, err
	}
	for _, name := range names {
		if err := h.addColumn(strings.Clone(strings.TrimSpace(name))); err != nil {
			return nil, err
		}
	}
	if !slices.ContainsFunc(h.columns, func(c column) bool { return c.name == "type" }) {
		return nil, &drift.Problem{Field: "type", Reason: "is missing from the header: the first row must name the columns, one of them type"}
	}
	return h, nil
}

func (h *rowReader) addColumn(name string) error {
	if name == "" {
		h.columns = append(h.columns, column{})
		return nil
	}
	c, err := columnNamed(name)
	if err != nil {
		return err
	}
	for _, other := range h.columns {
		switch {
		case other.name == name:
			return &drift.Problem{Field: label(name), Reason: "is in the header twice"}
		case c.object != "" && c.object == other.object && c.whole() != other.whole():
			return &drift.Problem{Field: c.object, Reason: "is in the header both as a whole and in parts: keep one"}
		}
	}
	h.columns = append(h.columns, c)
	return nil
}

// read splits one line into cells.
func (h *rowReader) read(text []byte) ([]string, error) {
	h.text.Reset(text)
	cells, err := h.cells.Read()
	if err != nil {
		return nil, &drift.Problem{Reason: "a quote in this row is not closed on its line, or is inside a cell and not doubled"}
	}
	return cells, nil
}

// line reads a row; blank says that all its cells are empty.
func (h *rowReader) line(l textLine) (out Line, blank bool) {
	out = Line{Number: l.number, Raw: slices.Clone(l.text)}
	if l.cut {
		out.Problem = tooLong()
		return out, false
	}
	cells, err := h.read(l.text)
	if err == nil && !slices.ContainsFunc(cells, func(s string) bool { return s != "" }) {
		return out, true
	}
	d := draft{values: make([]value, 0, 24)}
	if err == nil {
		err = h.fill(&d, cells)
	}
	if err == nil {
		out.Record, err = d.record()
		out.Arrival = d.arrival
	}
	if out.Problem = drift.ProblemOf(err); err != nil {
		out.Record = drift.Record{Machine: h.machine(cells)}
	}
	return out, false
}

// machine is the machine of a refused row, "" if it cannot be read.
func (h *rowReader) machine(cells []string) string {
	if at := slices.IndexFunc(h.columns, func(c column) bool { return c.name == "machine" }); at >= 0 && len(cells) == len(h.columns) {
		return strings.Clone(unescape(cells[at]))
	}
	return ""
}

func (h *rowReader) fill(d *draft, cells []string) error {
	if len(cells) != len(h.columns) {
		return &drift.Problem{Reason: fmt.Sprintf("the row has %d cells where the header has %d columns", len(cells), len(h.columns))}
	}
	for i := range h.columns {
		c := &h.columns[i]
		if c.name == "" {
			if strings.TrimSpace(cells[i]) != "" {
				return &drift.Problem{Reason: fmt.Sprintf("cell %d has a value, but its column has no name", i+1)}
			}
			continue
		}
		if err := d.cell(c, unescape(cells[i]), h.numbers); err != nil {
			return err
		}
	}
	return nil
}

// formulaStart are the characters with which a spreadsheet takes a cell as a formula, and
// the apostrophe that prevents it.
const formulaStart = "=+-@'"

// escape stops a spreadsheet from running text as a formula.
func escape(text string) string {
	if text != "" && strings.IndexByte(formulaStart, text[0]) >= 0 {
		return "'" + text
	}
	return text
}

// unescape undoes escape.
func unescape(text string) string {
	if len(text) > 1 && text[0] == '\'' && strings.IndexByte(formulaStart, text[1]) >= 0 {
		return text[1:]
	}
	return text
}
