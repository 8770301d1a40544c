package web

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strconv"
	"strings"

	"arcdrift/agent/sheet"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// rowsShown is how many rows a page of the look shows, previewRows how many are shown as
// they came, and cellShown how much of a cell.
const (
	rowsShown   = 40
	previewRows = 5
	cellShown   = 40
)

type tableView struct {
	Token, File, Name                    string
	Line                                 int
	Encodings, Delimiters, Numbers, Date []tile
	Sheets                               []tile // of a workbook
	Zone, Clock                          string
	Newest                               bool
	Headings                             []string
	Preview                              [][]string
	Columns                              []columnRow
	Hidden                               int // columns that are not shown
	All                                  []constantRow
	Open                                 []string // what must be said, in sentences
	Ask                                  []string // columns whose values must be explained
	Problem                              string
	Look                                 *lookView
}

// constantRow asks for one value for every row.
type constantRow struct {
	Name, Label, Value string
	Choices            []tile
}

// lookView says what would become of the rows.
type lookView struct {
	Taken, Refused, All int
	Twice               []string // rows that may count twice, in sentences
	OnlyRefused         bool
	Rows                []rowView
	Before, After       string // links
	RefusedLink, Every  string
}

// rowView is one row as it would be read.
type rowView struct {
	Line       int
	What, Said string
	Refused    bool
	Raw        string
}

// showTable shows the uploaded table, its mapping, and what would become of its rows.
func (s *Server) showTable(w http.ResponseWriter, token string, one *upload, at rowsPage, problem *drift.Problem, status int) {
	m := one.mapping
	v := tableView{Token: token, File: one.file, Name: or(m.Name, strings.TrimSuffix(one.file, path.Ext(one.file))), Line: one.table.Line,
		Encodings: choose(one.table.Encoding, sheet.Encodings()...), Delimiters: choose(one.table.Delimiter, "comma", "semicolon", "tab"),
		Sheets:  choose(one.table.Sheet, one.table.Sheets...),
		Numbers: append([]tile{{"", "Refuse what can be read in two ways", m.Numbers == ""}}, choose(m.Numbers, sheet.Numbers()...)...),
		Date:    append([]tile{{"", "Choose", m.Dates == ""}}, choose(m.Dates, sheet.Dates()...)...),
		Zone:    m.Zone, Clock: m.Clock, Newest: m.NewestFirst,
		Headings: one.table.Headings[:min(len(one.table.Headings), mostColumnsShown)], Columns: one.columnRows(), All: one.constantRows()}
	v.Hidden = len(one.table.Headings) - len(v.Columns)
	for row := range one.table.Rows() {
		if len(v.Preview) == previewRows {
			break
		}
		v.Preview = append(v.Preview, shortCells(row.Cells))
	}
	if problem == nil {
		problem = problemOf(m.Prepare())
	}
	if problem != nil {
		v.Problem = mappingProblem(problem)
	}
	for _, name := range m.Open() {
		v.Open = append(v.Open, openQuestion(name))
	}
	for i := range v.Columns {
		if c := one.column(v.Columns[i].Heading); len(v.Columns[i].Words) > 0 && len(c.Words) == 0 {
			v.Ask = append(v.Ask, v.Columns[i].Heading)
		}
	}
	if len(v.Open) == 0 && m.Prepare() == nil {
		look, err := s.look(one, token, at)
		if err != nil {
			s.fail(w, err)
			return
		}
		v.Look = look
	}
	s.render(w, "importtable", page{Title: "Import " + one.file, Here: importPath, Status: status, Body: v})
}

// choose makes choices of which the value is the word.
func choose(chosen string, all ...string) []tile {
	var out []tile
	for _, word := range all {
		out = append(out, tile{word, word, word == chosen})
	}
	return out
}

func shortCells(cells []string) []string {
	out := slices.Clone(cells[:min(len(cells), mostColumnsShown)])
	for i, cell := range out {
		if runes := []rune(cell); len(runes) > cellShown {
			out[i] = string(runes[:cellShown]) + "…"
		}
	}
	return out
}

// openQuestion is what the mapping must still say.
func openQuestion(name string) string {
	switch name {
	case "machine":
		return "Say which column is the machine, or give one machine for all rows."
	case "time":
		return "Say which column is the date."
	case sheet.Date:
		return "Say which column is the date: so far only the time of day is known."
	case "dates":
		return "Say how dates are written. More than one way fits, or none."
	case "zone":
		return "Say in which time zone the times are, like Europe/Oslo."
	case sheet.Clock:
		return "Say which column is the time of day, or give one for rows without it, like 07:00."
	default:
		return "Say what kind of record the rows are."
	}
}

// mappingProblem is what is wrong with the mapping, in the words of the page.
func mappingProblem(p *drift.Problem) string {
	shown := *p
	if _, ok := drift.FieldNamed(p.Field); ok || p.Field == sheet.Date || p.Field == sheet.Clock || p.Field == sheet.Note {
		shown.Field = columnWord(p.Field)
	} else {
		shown.Field = phrase.Sentence(p.Field)
	}
	return phrase.Sentence(shown.Error()) + "."
}

// constantRows ask for what no column gives.
func (one *upload) constantRows() []constantRow {
	var out []constantRow
	for _, name := range constantNames {
		if slices.ContainsFunc(one.mapping.Columns, func(c sheet.Column) bool { return c.Field == name }) {
			continue
		}
		row := constantRow{Name: name, Label: columnWord(name), Value: one.mapping.Constants[name]}
		switch {
		case name == "type":
			row.Choices = tiles(row.Value, "", "Choose", "calibration", "Calibrations", "service", "Services", "usage", "Arc counts", "splice", "Splices")
		case name == "action" && one.mapping.Constants["type"] != string(drift.TypeService):
			continue
		case name == "action":
			row.Choices = tiles(row.Value, "", "Choose", "cleaned", "Cleaned", "replaced", "Replaced", "inspected", "Inspected")
		}
		out = append(out, row)
	}
	return out
}

// rowsPage is which rows to show.
type rowsPage struct {
	page        int
	onlyRefused bool
}

func rowsPageOf(v url.Values) rowsPage {
	n, err := strconv.Atoi(v.Get("page"))
	if err != nil || n < 1 || n > sheet.MaxFile {
		n = 1
	}
	return rowsPage{n, v.Get("only") == "refused"}
}

// look reads all rows once for each mapping, and shows a page of them.
func (s *Server) look(one *upload, token string, at rowsPage) (*lookView, error) {
	if one.fates == nil {
		again, err := s.twiceOf(one)
		if err != nil {
			return nil, err
		}
		one.fates = &fates{twice: again}
		for line := range one.mapping.Lines(one.table) {
			if line.Problem == nil {
				one.fates.taken++
				continue
			}
			line.Raw = bytes.Clone(line.Raw[:min(len(line.Raw), 4*cellShown)])
			one.fates.refused = append(one.fates.refused, line)
		}
	}
	v := &lookView{Taken: one.fates.taken, Refused: len(one.fates.refused), All: one.fates.taken + len(one.fates.refused), Twice: one.fates.twice.words(), OnlyRefused: at.onlyRefused}
	link := func(page int, refused bool) string {
		return fmt.Sprintf("%s?table=%s&page=%d%s#rows", importPath, token, page, map[bool]string{true: "&only=refused"}[refused])
	}
	v.RefusedLink, v.Every = link(1, true), link(1, false)
	skip, all := (at.page-1)*rowsShown, v.All
	if at.onlyRefused {
		all = v.Refused
		for i := skip; i < min(skip+rowsShown, all); i++ {
			v.Rows = append(v.Rows, fateOf(&one.fates.refused[i]))
		}
	} else {
		n := 0
		for line := range one.mapping.Lines(one.table) {
			if n++; n > skip {
				v.Rows = append(v.Rows, fateOf(&line))
			}
			if n == skip+rowsShown {
				break
			}
		}
	}
	if at.page > 1 {
		v.Before = link(at.page-1, at.onlyRefused)
	}
	if skip+rowsShown < all {
		v.After = link(at.page+1, at.onlyRefused)
	}
	return v, nil
}

// fateOf is a row in words.
func fateOf(line *wire.Line) rowView {
	row := rowView{Line: line.Number, Refused: line.Problem != nil}
	if row.Refused {
		row.Raw = legible(line.Raw[:min(len(line.Raw), 4*cellShown)], len(line.Raw))
		if row.Said = line.Problem.Error(); line.Problem.Field == "" {
			row.Said = phrase.Sentence(row.Said)
		}
		return row
	}
	e := drift.Entry{Record: line.Record}
	row.What = phrase.Beside(line.Record.Machine, phrase.Moment(line.Record.Time), typeWord(&e))
	var said []string
	for _, f := range drift.FieldsOf(line.Record.Type) {
		value, known := f.Value(&line.Record)
		if !known || slices.Contains([]string{"type", "machine", "time", "passed", "action"}, f.Name) {
			continue
		}
		said = append(said, fieldWord(f.Name)+" "+valueWord(value)+unitOf(f))
	}
	row.Said = phrase.Beside(said...)
	return row
}
