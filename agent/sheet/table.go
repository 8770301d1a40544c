package sheet

import (
	"bytes"
	"fmt"
	"iter"
	"slices"
	"strings"
	"unicode"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// MaxFile is the greatest size of a table in bytes: some 100,000 rows. It is held in
// memory, of a workbook also the text of its sheet, which has the same bound.
const MaxFile = 16 << 20

// mostTitles is within how many rows the headings are looked for.
const mostTitles = 50

// mostColumns bounds the width of a table.
const mostColumns = 200

// delimiters are what may stand between cells, the least likely in text first.
var delimiters = [...]struct {
	name string
	char byte
}{{"tab", '\t'}, {"semicolon", ';'}, {"comma", ','}}

// Table is a file of rows below headings.
type Table struct {
	// Encoding and Delimiter are as stated or found; "" of a workbook.
	Encoding, Delimiter string
	// Sheet is which of the workbook's Sheets was read; "" of a text file.
	Sheet  string
	Sheets []string
	// Line is where the headings stand, Headings what they are: each once, a missing one
	// "column N", a repeated one with its number.
	Line     int
	Headings []string

	values    [][]string // by column, once asked for
	written   [][]string // those of them that are text: how numbers are written shows in no others
	text      []byte
	delimiter byte
	below     int // where the rows begin in text
}

// Row is one row of a table.
type Row struct {
	// Line is where it begins, from 1; Raw the row as it came, in UTF-8, of a workbook its
	// cells with tabs between.
	Line  int
	Raw   []byte
	Cells []string
	// Unclosed: a quote that begins a cell has no end.
	Unclosed bool

	numbers []bool // which cells are numbers, whatever the mapping says of writing them
}

// Read reads a file as m describes it; what m leaves open is found in the file. line is
// where the headings stand, 0 to look for them. The error is a *drift.Problem.
func Read(raw []byte, m *Mapping, line int) (*Table, error) {
	if len(raw) > MaxFile {
		return nil, &drift.Problem{Reason: "the file is larger than 16 MB. Split it into several, each with the headings"}
	}
	t := &Table{delimiter: cellEnd}
	var err error
	if IsWorkbook(raw) {
		t.text, t.Sheet, t.Sheets, err = readWorkbook(raw, m.Sheet)
	} else if t.text, t.Encoding, err = toUTF8(raw, m.Encoding); err == nil {
		err = t.delimit(m.Delimiter)
	}
	if err != nil {
		return nil, err
	}
	head, ok := t.findHead(m, line)
	if !ok {
		return nil, noHead(m, line)
	}
	t.Line, t.Headings = head.Line, headings(head.Cells)
	if len(t.Headings) > mostColumns {
		return nil, &drift.Problem{Reason: fmt.Sprintf("the table has %d columns; at most %d can be read", len(t.Headings), mostColumns)}
	}
	return t, m.fits(t)
}

func noHead(m *Mapping, line int) error {
	switch {
	case line > 0:
		return &drift.Problem{Field: "headings", Value: fmt.Sprint(line), Reason: "must be a line with at least two headings"}
	case len(m.Columns) > 0:
		return &drift.Problem{Field: "columns", Reason: fmt.Sprintf("do not fit: none of the first %d rows has the headings of the mapping", mostTitles)}
	}
	return &drift.Problem{Reason: "no headings were found: a table needs one row that names its columns, and rows below it"}
}

// delimit takes the stated delimiter, or the first that gives most lines the same number
// of cells, two or more.
func (t *Table) delimit(stated string) error {
	for _, d := range delimiters {
		if d.name == stated || stated == "" && evenly(t.text, d.char) {
			t.Delimiter, t.delimiter = d.name, d.char
			return nil
		}
	}
	if stated != "" {
		return &drift.Problem{Field: "delimiter", Value: stated, Reason: "must be comma, semicolon or tab"}
	}
	t.Delimiter, t.delimiter = "comma", ','
	return nil
}

func evenly(text []byte, delimiter byte) bool {
	counts, lines := map[int]int{}, 0
	for row := range rows(text, 0, 1, delimiter) {
		counts[len(row.Cells)]++
		if lines++; lines == 2*mostTitles {
			break
		}
	}
	for cells, n := range counts {
		if cells > 1 && 2*n >= lines {
			return true
		}
	}
	return false
}

// findHead looks for the row of headings: at the stated line, where all headings of the
// mapping are, or the first row of words that is nearly as wide as the table.
func (t *Table) findHead(m *Mapping, line int) (Row, bool) {
	var first []Row
	widths := map[int]int{}
	for row := range rows(t.text, 0, 1, t.delimiter) {
		first = append(first, row)
		widths[filled(row.Cells)]++
		if len(first) == mostTitles {
			break
		}
	}
	usual := 2
	for width, n := range widths {
		if width >= 2 && (n > widths[usual] || n == widths[usual] && width > usual) {
			usual = width
		}
	}
	for _, row := range first {
		is := filled(row.Cells) >= 2
		switch {
		case line > 0:
			is = is && row.Line == line
		case len(m.Columns) > 0:
			is = is && m.within(headings(row.Cells))
		default:
			is = is && 3*filled(row.Cells) >= 2*usual && !slices.ContainsFunc(row.Cells, hasNumber)
		}
		if is {
			t.below = offsetAfter(t.text, row)
			return row, true
		}
	}
	return Row{}, false
}

// offsetAfter is where the row after row begins.
func offsetAfter(text []byte, row Row) int {
	end := len(text) - len(row.rest(text))
	return end
}

// rest is what follows the row in text.
func (r *Row) rest(text []byte) []byte {
	for range r.Line - 1 {
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	text = text[len(r.Raw):]
	_, text, _ = bytes.Cut(text, []byte("\n"))
	return text
}

func filled(cells []string) int {
	n := 0
	for _, c := range cells {
		if c != "" {
			n++
		}
	}
	return n
}

// hasNumber says whether a cell is a value rather than a heading.
func hasNumber(cell string) bool {
	return cell != "" && !strings.ContainsFunc(cell, unicode.IsLetter) && strings.ContainsAny(cell, "0123456789")
}

// headings names every column, once each.
func headings(cells []string) []string {
	out := make([]string, len(cells))
	seen := map[string]bool{}
	for i, name := range cells {
		name = strings.Join(strings.Fields(name), " ")
		if name == "" {
			name = fmt.Sprintf("column %d", i+1)
		}
		unique := name
		for n := 2; seen[unique]; n++ {
			unique = fmt.Sprintf("%s (%d)", name, n)
		}
		seen[unique] = true
		out[i] = unique
	}
	return out
}

// Rows yields the rows below the headings that are not empty.
func (t *Table) Rows() iter.Seq[Row] {
	return rows(t.text, t.below, 1+bytes.Count(t.text[:t.below], []byte("\n")), t.delimiter)
}

// Values lists the different values of a column in order of appearance, of a column with
// more than Sample the first so many.
func (t *Table) Values(column int) []string {
	t.readValues()
	return t.values[column]
}

// Size is the memory that the table takes, in bytes.
func (t *Table) Size() int { return len(t.text) }

// Sample is how many different values of a column are looked at.
const Sample = 2000

// readValues goes through the table once for all columns.
func (t *Table) readValues() {
	if t.values != nil {
		return
	}
	width := len(t.Headings)
	t.values, t.written = make([][]string, width), make([][]string, width)
	seen := make([]map[string]bool, width)
	for i := range seen {
		seen[i] = map[string]bool{}
	}
	for row := range t.Rows() {
		for i, cell := range row.Cells[:min(len(row.Cells), width)] {
			if cell == "" || len(t.values[i]) == Sample || seen[i][cell] {
				continue
			}
			seen[i][cell] = true
			t.values[i] = append(t.values[i], cell)
			if !row.isNumber(i) {
				t.written[i] = append(t.written[i], cell)
			}
		}
	}
}

// isNumber says whether a cell is a number of a workbook.
func (r *Row) isNumber(column int) bool {
	return column >= 0 && column < len(r.numbers) && r.numbers[column]
}

// mostJoined is over how many lines one quoted cell may go.
const mostJoined = 32

// rows splits text from offset on, which is in the given line. encoding/csv cannot go on
// behind a quote that is not closed; here it spoils one row only.
func rows(text []byte, offset, line int, delimiter byte) iter.Seq[Row] {
	return func(yield func(Row) bool) {
		for rest := text[offset:]; len(rest) > 0; {
			row, next, lines := firstRow(rest, delimiter)
			row.Line = line
			if (row.Unclosed || filled(row.Cells) > 0) && !yield(row) {
				return
			}
			rest, line = next, line+lines
		}
	}
}

// firstRow cuts the first row off.
func firstRow(text []byte, delimiter byte) (row Row, rest []byte, lines int) {
	if delimiter == cellEnd {
		row, rest = sheetRow(text)
		return row, rest, 1
	}
	raw, rest, lines := wholeRow(text, delimiter)
	row.Raw = raw
	row.Cells, row.Unclosed = split(raw, delimiter)
	return row, rest, lines
}

// wholeRow cuts one row off, joining lines while a quoted cell is open. One that never
// closes ends with its line.
func wholeRow(text []byte, delimiter byte) (raw, rest []byte, lines int) {
	end := 0
	for lines = 1; lines <= mostJoined && end <= min(len(text)-1, wire.MaxRecord); lines++ {
		more := bytes.IndexByte(text[end:], '\n')
		next := end + more + 1
		if more < 0 {
			next = len(text)
		}
		raw = bytes.TrimRight(text[:next], "\r\n")
		if bytes.Count(raw, []byte{'"'})%2 == 0 && lines > 1 || lines == 1 || more < 0 {
			if _, open := split(raw, delimiter); !open {
				return raw, text[next:], lines
			}
		}
		end = next
	}
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	return bytes.TrimRight(first, "\r"), rest, 1
}

// split cuts a row into cells without the space around them. A quote within a cell that
// does not begin with one is a character like any other.
func split(raw []byte, delimiter byte) (cells []string, open bool) {
	var cell []byte
	quoted, began := false, false
	for i := 0; i < len(raw); i++ {
		c := raw[i]
		switch {
		case quoted && c == '"' && i+1 < len(raw) && raw[i+1] == '"':
			cell = append(cell, c)
			i++
		case quoted && c == '"':
			if after := bytes.TrimLeft(raw[i+1:], " "); len(after) == 0 || after[0] == delimiter {
				quoted = false
			} else {
				cell = append(cell, c)
			}
		case quoted:
			cell = append(cell, c)
		case c == '"' && !began && len(bytes.TrimSpace(cell)) == 0:
			quoted, began, cell = true, true, cell[:0]
		case c == delimiter:
			cells, cell, began = append(cells, tidy(cell)), cell[:0], false
		default:
			cell = append(cell, c)
		}
	}
	return append(cells, tidy(cell)), quoted
}

// tidy removes the space around a value, no-break spaces too.
func tidy(cell []byte) string { return strings.TrimFunc(string(cell), unicode.IsSpace) }
