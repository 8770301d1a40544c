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

// CSV reads one record per row under a header of field names. A row that cannot
// be taken is refused and reading goes on; a header that cannot be understood
// ends it.
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

// rowReader reads rows one line at a time, so that a stray quote costs its row
// and not the rest of the file.
type rowReader struct {
	text    *bytes.Reader
	cells   *csv.Reader
	names   []string // of the columns; "" where the column must stay empty
	decimal comma
}

func readHeader(l textLine) (*rowReader, error) {
	if l.cut {
		return nil, tooLong()
	}
	h := &rowReader{text: bytes.NewReader(nil), decimal: comma(bytes.IndexByte(l.text, ';') >= 0)}
	h.cells = csv.NewReader(h.text)
	h.cells.FieldsPerRecord = -1
	h.cells.ReuseRecord = true
	if h.decimal {
		h.cells.Comma = ';'
	}
	names, err := h.read(l.text)
	if err != nil {
		return nil, err
	}
	whole, parts := map[string]bool{}, map[string]bool{} // extra against extra.NAME
	for _, name := range names {
		name = strings.TrimSpace(name)
		if name != "" {
			object, member, err := column(name)
			if err != nil {
				return nil, err
			}
			if slices.Contains(h.names, name) {
				return nil, &drift.Problem{Field: name, Reason: "stands twice in the header"}
			}
			whole[object] = whole[object] || member == ""
			parts[object] = parts[object] || member != ""
			if object != "" && whole[object] && parts[object] {
				return nil, &drift.Problem{Field: object, Reason: "stands in the header both as a whole and in parts: keep one"}
			}
		}
		h.names = append(h.names, strings.Clone(name))
	}
	if !slices.Contains(h.names, "type") {
		return nil, &drift.Problem{Field: "type", Reason: "is missing from the header: the first row must name the columns, one of them type"}
	}
	return h, nil
}

// read splits one line into cells.
func (h *rowReader) read(text []byte) ([]string, error) {
	h.text.Reset(text)
	cells, err := h.cells.Read()
	if err != nil {
		return nil, &drift.Problem{Reason: "the quotes of this row do not close within its line, or stand inside a cell without being doubled"}
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
	d := draft{values: make([]value, 0, len(h.names))}
	if err == nil {
		err = h.fill(&d, cells)
	}
	if err == nil {
		out.Record, err = d.record()
		out.Received = d.received
	}
	out.Problem = drift.ProblemOf(err)
	return out, false
}

func (h *rowReader) fill(d *draft, cells []string) error {
	if len(cells) != len(h.names) {
		return &drift.Problem{Reason: fmt.Sprintf("the row has %d cells where the header has %d columns", len(cells), len(h.names))}
	}
	for i, name := range h.names {
		if name == "" {
			if strings.TrimSpace(cells[i]) != "" {
				return &drift.Problem{Reason: fmt.Sprintf("cell %d holds a value but its column has no name", i+1)}
			}
			continue
		}
		if err := d.cell(name, unescape(cells[i]), h.decimal); err != nil {
			return err
		}
	}
	return nil
}

// formulaStart are the characters that make a spreadsheet take a cell for a
// formula, and the apostrophe that says it is none.
const formulaStart = "=+-@'"

// escape keeps a spreadsheet from running text as a formula.
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
