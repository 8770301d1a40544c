package web

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"arcdrift/agent/sheet"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// mostColumnsShown and mostWordsShown bound the page.
const (
	mostColumnsShown = 30
	mostWordsShown   = 40
)

// mappingText is the mapping as its file.
func mappingText(m *sheet.Mapping) string {
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return "" // plain texts have a JSON form
	}
	return string(text)
}

// mappingIn is the mapping that a setup of a table keeps.
func mappingIn(extra []byte) (*sheet.Mapping, error) {
	var kept struct {
		Mapping json.RawMessage `json:"mapping"`
	}
	if err := json.Unmarshal(extra, &kept); err != nil {
		return nil, err
	}
	return sheet.ParseMapping(kept.Mapping)
}

// columnFields are what a column can be, in the order in which people look for it.
func columnFields() []string {
	out := []string{"machine", sheet.Date, sheet.Clock, "time", "passed", "type", "model", "program", "site", "operator"}
	for _, t := range []drift.Type{drift.TypeCalibration, drift.TypeService, drift.TypeSplice} {
		for _, f := range drift.FieldsOf(t) {
			if !slices.Contains(out, f.Name) && !slices.Contains([]string{"id", "source", "epoch", "seq", "counts"}, f.Name) {
				out = append(out, f.Name)
			}
		}
	}
	return append(out, "id", sheet.Note)
}

// columnWord is what the page calls it.
func columnWord(field string) string {
	switch field {
	case sheet.Date:
		return "Date"
	case sheet.Clock:
		return "Time of day"
	case "time":
		return "Date and time"
	case "passed":
		return "Result: passed or failed"
	case "type":
		return "Kind of record"
	case "id":
		return "Number of the record"
	case sheet.Note:
		return "Keep as a note"
	case "":
		return "Leave out"
	}
	f, ok := drift.FieldNamed(field)
	word := phrase.Sentence(fieldWord(field))
	if !ok || wire.UnitsOf(field) != nil || unitOf(f) == "" {
		return word
	}
	return word + "," + unitOf(f)
}

// change takes the mapping as the form states it.
func (one *upload) change(form url.Values) *drift.Problem {
	line, err := strconv.Atoi(form.Get("line"))
	if err != nil || line < 1 {
		return &drift.Problem{Field: "line", Value: form.Get("line"), Reason: "must be the number of a line"}
	}
	m := one.mappingOf(form)
	moved := line != one.table.Line || form.Get("sheet") != one.table.Sheet || m.Encoding != one.table.Encoding || m.Delimiter != one.table.Delimiter
	if moved { // other headings: nothing that was said of the columns holds
		if form.Get("sheet") != one.table.Sheet {
			line = 0 // the headings of another sheet stand elsewhere
		}
		table, err := sheet.Read(one.raw, &sheet.Mapping{Encoding: m.Encoding, Delimiter: m.Delimiter, Sheet: form.Get("sheet")}, line)
		if err != nil {
			return problemOf(err)
		}
		one.line, one.table, one.mapping, one.fates = line, table, sheet.Guess(table), nil
		return nil
	}
	m.ReadValues(one.table)
	if m.NewestFirst = form.Get("newest") != ""; form.Get("asked") == "" {
		m.NewestFirst = one.mapping.NewestFirst
	}
	one.mapping, one.fates = m, nil
	return problemOf(m.Prepare())
}

// mappingOf reads the mapping from the form.
func (one *upload) mappingOf(form url.Values) *sheet.Mapping {
	text := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	m := &sheet.Mapping{Name: text("name"), Encoding: form.Get("encoding"), Delimiter: form.Get("delimiter"), Numbers: form.Get("numbers"), Dates: form.Get("dates"),
		Sheet: one.mapping.Sheet, Zone: text("zone"), Clock: text("clock"), Constants: map[string]string{}}
	m.Name = m.Name[:min(len(m.Name), drift.MaxText)]
	for i, heading := range one.table.Headings {
		field := form.Get(fmt.Sprintf("field.%d", i))
		if field == "" {
			continue
		}
		c := sheet.Column{Heading: heading, Field: field, Unit: form.Get(fmt.Sprintf("unit.%d", i))}
		if _, ok := wire.UnitNamed(field, c.Unit); !ok {
			c.Unit = ""
		}
		for n, value := range one.wordsAsked(&c, i) {
			name := fmt.Sprintf("word.%d.%d", i, n)
			if word := text(name); word != "" && word != value {
				if c.Words == nil {
					c.Words = map[string]string{}
				}
				c.Words[value] = word
			}
		}
		if was := one.column(heading); was == nil || was.Field != field {
			c = one.table.Propose(i, field)
		} else if c.Words == nil && !form.Has(fmt.Sprintf("word.%d.0", i)) {
			c.Words = was.Words
		}
		m.Columns = append(m.Columns, c)
	}
	for _, name := range constantNames {
		if value := text("all." + name); value != "" && !slices.ContainsFunc(m.Columns, func(c sheet.Column) bool { return c.Field == name }) {
			m.Constants[name] = value
		}
	}
	return m
}

// constantNames are the fields that one value may give for every row.
var constantNames = [...]string{"type", "machine", "model", "program", "site", "cleaver", "action"}

// column is what the mapping says of a heading; nil if nothing.
func (one *upload) column(heading string) *sheet.Column {
	for i := range one.mapping.Columns {
		if one.mapping.Columns[i].Heading == heading {
			return &one.mapping.Columns[i]
		}
	}
	return nil
}

// wordsAsked are the values of a column that must be explained: all of one with few
// meanings, and names of machines that no machine can have.
func (one *upload) wordsAsked(c *sheet.Column, column int) []string {
	f, ok := drift.FieldNamed(c.Field)
	if !ok || f.Kind != drift.Flag && f.Words == nil && f.Name != "machine" {
		return nil
	}
	var out []string
	for _, v := range one.table.Values(column) {
		if f.Name == "machine" && drift.ValidMachine(v) && c.Words[v] == "" {
			continue
		}
		if out = append(out, v); len(out) == mostWordsShown {
			break
		}
	}
	return out
}

// columnRow is one column of the form.
type columnRow struct {
	N        int
	Heading  string
	Examples string
	Fields   []tile
	Units    []tile
	Words    []wordRow
}

// wordRow asks what a value stands for.
type wordRow struct {
	Name, Value, Meaning string
	Choices              []tile // nil where it is typed
}

func (one *upload) columnRows() []columnRow {
	var out []columnRow
	for i, heading := range one.table.Headings {
		c := one.column(heading)
		if i >= mostColumnsShown && c == nil {
			continue
		}
		field, unit := "", ""
		if c == nil {
			c = &sheet.Column{Heading: heading}
		}
		field, unit = c.Field, c.Unit
		row := columnRow{N: i, Heading: heading, Examples: examples(one.table.Values(i)), Fields: []tile{{"", columnWord(""), field == ""}}}
		for _, name := range columnFields() {
			row.Fields = append(row.Fields, tile{name, columnWord(name), name == field})
		}
		for _, u := range wire.UnitsOf(field) {
			row.Units = append(row.Units, tile{u.Name, u.Name, u.Name == unit})
		}
		for n, value := range one.wordsAsked(c, i) {
			row.Words = append(row.Words, wordRowOf(c, i, n, value))
		}
		out = append(out, row)
	}
	return out
}

func examples(values []string) string {
	var out []string
	for _, v := range values[:min(len(values), 3)] {
		if runes := []rune(v); len(runes) > 24 {
			v = string(runes[:24]) + "…"
		}
		out = append(out, v)
	}
	return phrase.Beside(out...)
}

// wordRowOf asks about one value. The name of a machine is proposed as one that can be.
func wordRowOf(c *sheet.Column, column, n int, value string) wordRow {
	row := wordRow{Name: fmt.Sprintf("word.%d.%d", column, n), Value: value, Meaning: c.Words[value]}
	f, ok := drift.FieldNamed(c.Field)
	switch {
	case !ok:
	case f.Kind == drift.Flag && f.Name == "passed":
		row.Choices = tiles(row.Meaning, "", "Refuse the row", "true", "Passed", "false", "Failed")
	case f.Kind == drift.Flag:
		row.Choices = tiles(row.Meaning, "", "Refuse the row", "true", "Yes", "false", "No")
	case f.Words != nil:
		row.Choices = tiles(row.Meaning, "", "Refuse the row")
		for _, word := range f.Words {
			row.Choices = append(row.Choices, tile{word, phrase.Sentence(phrase.Code(word)), word == or(row.Meaning, value)})
		}
	case row.Meaning == "":
		row.Meaning = machineLike(value)
	}
	return row
}

// machineLike proposes a name that a machine can have.
func machineLike(value string) string {
	name := strings.Join(strings.FieldsFunc(value, func(r rune) bool {
		return !(r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || strings.ContainsRune("._-", r))
	}), "-")
	return strings.TrimLeft(name[:min(len(name), drift.MaxText)], "._-")
}
