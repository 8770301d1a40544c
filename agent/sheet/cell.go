package sheet

import (
	"bytes"
	"encoding/xml"
	"math"
	"strconv"
	"strings"
	"time"
)

// Marks in the text of a sheet, which no XML text can hold: what ends a cell, what begins
// one that is a number, and a line break within one.
const (
	cellEnd    = 0x1F
	numberMark = 0x02
	breakMark  = 0x0B
)

// cell is one as the sheet has it.
type cell struct {
	kind                   string // its attribute t
	style                  int
	value, inline, formula []byte
	computed               bool // it has a formula
}

// sheetReader makes the text of a sheet: one line for each row, also for empty ones, so
// that lines have the numbers of the rows.
type sheetReader struct {
	book      *workbook
	out       []byte
	data      bool // within the rows
	line, row int  // of the text; of the sheet
	column    int  // of the cell before, from 1
	cells     int  // written to this line
	cell      *cell
	aside     bool
	into      *[]byte
}

func (b *workbook) read(part string) ([]byte, error) {
	r := sheetReader{book: b, line: 1}
	err := b.walk(part, func(t xml.Token) error {
		switch t := t.(type) {
		case xml.StartElement:
			return r.start(t)
		case xml.EndElement:
			return r.end(t.Name.Local)
		case xml.CharData:
			if r.into != nil {
				*r.into = append(*r.into, t...)
			}
		}
		return nil
	})
	return r.out, err
}

func (r *sheetReader) start(e xml.StartElement) error {
	switch name := e.Name.Local; {
	case name == "sheetData":
		r.data = true
	case !r.data:
	case name == "row":
		return r.startRow(attribute(e, "r"))
	case name == "c":
		return r.startCell(e)
	case r.cell == nil:
	case name == "v":
		r.into = &r.cell.value
	case name == "f":
		r.into, r.cell.computed = &r.cell.formula, true
	case name == "rPh":
		r.aside = true
	case name == "t" && !r.aside:
		r.into = &r.cell.inline
	}
	return nil
}

func (r *sheetReader) startRow(number string) error {
	row := r.row + 1
	if number != "" {
		var err error
		if row, err = strconv.Atoi(number); err != nil || row <= r.row {
			return errBroken
		}
	}
	if row > mostLines {
		return errLarge
	}
	r.row, r.column, r.cells = row, 0, 0
	for ; r.line < row; r.line++ {
		r.out = append(r.out, '\n')
	}
	return nil
}

func (r *sheetReader) startCell(e xml.StartElement) error {
	column := r.column + 1
	if at := attribute(e, "r"); at != "" {
		column = columnOf(at)
	}
	if column <= r.column || column > mostAcross {
		return errBroken
	}
	r.column = column
	style, _ := strconv.Atoi(attribute(e, "s")) // none is the first
	r.cell = &cell{kind: attribute(e, "t"), style: style}
	return nil
}

// columnOf is the column of a reference such as AB12, from 1; 0 if it has none.
func columnOf(reference string) int {
	n := 0
	for _, c := range []byte(reference) {
		if c < 'A' || c > 'Z' || n > mostAcross {
			break
		}
		n = 26*n + int(c-'A') + 1
	}
	return n
}

func (r *sheetReader) end(name string) error {
	switch name {
	case "sheetData":
		r.data = false
	case "rPh":
		r.aside = false
	case "v", "f", "t":
		r.into = nil
	case "c":
		c := r.cell
		if r.cell = nil; c != nil && r.data {
			return r.write(c)
		}
	}
	return nil
}

// write adds a cell that is not empty to the line.
func (r *sheetReader) write(c *cell) error {
	text, number, err := r.book.textOf(c)
	if err != nil || text == "" {
		return err
	}
	for ; r.cells < r.column-1; r.cells++ {
		r.out = append(r.out, cellEnd)
	}
	if number {
		r.out = append(r.out, numberMark)
	}
	text = strings.ReplaceAll(text, "_x000D_", "") // how some programs write the CR of a line break
	r.out = append(r.out, strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\n", string(rune(breakMark)))...)
	if len(r.out) > MaxFile {
		return errLarge
	}
	return nil
}

// textOf is what a cell says. A formula that no program has worked out is shown as such,
// for the row to be refused rather than to lack a value.
func (b *workbook) textOf(c *cell) (text string, number bool, err error) {
	value := string(c.value)
	if c.kind != "inlineStr" && value == "" {
		if c.computed && c.kind != "str" {
			return "=" + string(c.formula), false, nil
		}
		return "", false, nil
	}
	switch c.kind {
	case "inlineStr":
		return string(c.inline), false, nil
	case "s":
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 || n >= len(b.texts) {
			return "", false, errBroken
		}
		return b.texts[n], false, nil
	case "b":
		return map[string]string{"1": "TRUE", "0": "FALSE"}[value], false, nil
	case "d": // a date as text
		text, _, _ = strings.Cut(strings.TrimSuffix(value, "Z"), ".")
		return strings.Replace(text, "T", " ", 1), false, nil
	case "", "n":
		x, err := strconv.ParseFloat(value, 64)
		if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
			return "", false, errBroken
		}
		text, number = b.formatOf(c.style).text(x, b.since1904)
		return text, number, nil
	}
	return value, false, nil
}

func (b *workbook) formatOf(style int) format {
	if style < 0 || style >= len(b.formats) {
		return format{}
	}
	return b.formats[style]
}

// text writes a number unrounded, with a decimal point, as many hundredths if it is shown
// in per cent; a day as yyyy-mm-dd and a time of day as hh:mm:ss, to the nearest second.
func (f format) text(x float64, since1904 bool) (text string, number bool) {
	plain := strconv.FormatFloat(x, 'f', -1, 64)
	const days = 2_958_466 // to the end of the year 9999
	switch {
	case f.percent:
		x, _ = strconv.ParseFloat(plain+"e2", 64) // 100 x would give 7.000000000000001 for 0.07
		return strconv.FormatFloat(x, 'f', -1, 64) + "%", true
	case !f.day && !f.clock, x < 0, x >= days:
		return plain, true
	}
	seconds := int64(math.Round(x * 86400))
	if f.elapsed && !f.day {
		return strconv.FormatInt(seconds/3600, 10) + time.Unix(seconds, 0).UTC().Format(":04:05"), false
	}
	// Days are counted from 1 January 1904, or so that 1 January 1900 is 1 and a 29
	// February 1900, which never was, is 60 (ECMA-376 part 1, 18.17.4.1).
	first := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if since1904 {
		first = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	} else if x < 60 {
		first = first.AddDate(0, 0, 1)
	}
	at := first.Add(time.Duration(seconds) * time.Second)
	switch {
	case f.day && f.clock:
		return at.Format(time.DateTime), false
	case f.day:
		return at.Format(time.DateOnly), false
	}
	return at.Format(time.TimeOnly), false
}

// sheetRow cuts the first line off the text of a sheet.
func sheetRow(text []byte) (row Row, rest []byte) {
	raw, rest, _ := bytes.Cut(text, []byte("\n"))
	for _, c := range bytes.Split(raw, []byte{cellEnd}) {
		text, number := bytes.CutPrefix(c, []byte{numberMark})
		row.Cells = append(row.Cells, tidy(bytes.ReplaceAll(text, []byte{breakMark}, []byte("\n"))))
		row.numbers = append(row.numbers, number)
	}
	row.Raw = []byte(strings.Join(row.Cells, "\t"))
	return row, rest
}
