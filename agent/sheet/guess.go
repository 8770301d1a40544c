package sheet

import (
	"slices"
	"strings"
	"time"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Guess proposes a mapping from the headings and the values. What it cannot tell for
// certain stays open: a date that fits two ways of writing, the time zone, numbers that
// can be read in two ways.
func Guess(t *Table) *Mapping {
	m := &Mapping{Encoding: t.Encoding, Delimiter: t.Delimiter, Constants: map[string]string{}}
	if len(t.Sheets) > 1 { // a single one may have another name next month
		m.Sheet = t.Sheet
	}
	given := map[string]bool{}
	for i, heading := range t.Headings {
		field := fieldOf(heading)
		if field == "" || given[field] {
			continue
		}
		given[field] = true
		m.Columns = append(m.Columns, t.Propose(i, field))
	}
	if !given["type"] && given["passed"] {
		m.Constants["type"] = string(drift.TypeCalibration)
	} else if !given["type"] && given["action"] {
		m.Constants["type"] = string(drift.TypeService)
	}
	m.splitTime(t)
	if m.has(Date) { // the day is known; what else has a day and a time stays open
		m.Columns = slices.DeleteFunc(m.Columns, func(c Column) bool { return c.Field == "time" })
	}
	m.ReadValues(t)
	return m
}

// Propose is a column as that field, with the unit and the words that it shows.
func (t *Table) Propose(column int, field string) Column {
	heading := t.Headings[column]
	return Column{Heading: heading, Field: field, Unit: unitIn(field, heading), Words: wordsFor(field, t.Values(column))}
}

// splitTime tells a column of times of day from one of days: people call both "time".
func (m *Mapping) splitTime(t *Table) {
	for i := range m.Columns {
		c := &m.Columns[i]
		if c.Field != "time" || m.has(Clock) {
			continue
		}
		values := t.Values(slices.Index(t.Headings, c.Heading))
		if len(values) > 0 && !slices.ContainsFunc(values, func(v string) bool { _, ok := clockOf(v); return !ok }) {
			c.Field = Clock
		}
	}
}

// ReadValues fills in what the values of the mapped columns show for certain.
func (m *Mapping) ReadValues(t *Table) {
	for i := range m.Columns {
		c := &m.Columns[i]
		at := slices.Index(t.Headings, c.Heading)
		if at < 0 || c.Field != Date && c.Field != "time" {
			continue
		}
		values := t.Values(at)
		if c.Field == Date && slices.ContainsFunc(values, hasClock) && !m.has(Clock) && !m.has("time") {
			c.Field = "time"
		} else if c.Field == "time" && !m.has(Date) && (!slices.ContainsFunc(values, hasClock) || m.has(Clock)) {
			c.Field = Date
		}
		if fits := datesOf(values); m.Dates == "" && len(fits) == 1 {
			m.Dates = fits[0]
		}
		if m.Dates != "" {
			m.NewestFirst = newestFirst(values, m.Dates)
		}
	}
	if m.Numbers == "" {
		m.Numbers = m.numbersOf(t)
	}
}

func (m *Mapping) has(field string) bool {
	return slices.ContainsFunc(m.Columns, func(c Column) bool { return c.Field == field })
}

func hasClock(value string) bool {
	_, clock := dayAndClock(value)
	return clock != ""
}

// datesOf lists the ways of writing dates that fit every value. yyyy-mm-dd is read in any
// case, so it counts only where it is the only one.
func datesOf(values []string) []string {
	iso := func(v string) bool { return fitsDates([]string{v}, isoDate) }
	if others := slices.DeleteFunc(slices.Clone(values), iso); len(others) > 0 {
		values = others
	}
	var out []string
	for _, l := range layouts {
		if fitsDates(values, l.layout) {
			out = append(out, l.name)
		}
	}
	return out
}

// newestFirst says whether the first day is later than the last.
func newestFirst(values []string, dates string) bool {
	if len(values) == 0 {
		return false
	}
	at := func(v string) time.Time {
		day, _ := dayAndClock(v)
		t, ok := dateOf(day, layoutOf(dates)) // a guess: the reader is stricter
		if !ok {
			t, _ = dateOf(day, isoDate)
		}
		return t
	}
	return at(values[0]).After(at(values[len(values)-1]))
}

// numbersOf is the way of writing numbers that the values show: a mark that cannot stand
// between thousands is the decimal mark, and one with the other mark before it shows both.
func (m *Mapping) numbersOf(t *Table) string {
	shown := map[string]bool{}
	for i := range m.Columns {
		f, ok := drift.FieldNamed(m.Columns[i].Field)
		if !ok || f.Kind != drift.Number && f.Kind != drift.Integer {
			continue
		}
		t.readValues()
		for _, v := range t.written[slices.Index(t.Headings, m.Columns[i].Heading)] {
			number, _ := m.Columns[i].withoutUnit(f, v)
			shown[styleOf(number)] = true
		}
	}
	delete(shown, "")
	for _, style := range []string{"1,234.5", "1.234,5"} { // they cover the plain ones
		plain := strings.Replace(style, style[1:2], "", 1)
		if shown[style] && (len(shown) == 1 || len(shown) == 2 && shown[plain]) {
			return style
		}
	}
	if len(shown) != 1 {
		return ""
	}
	for style := range shown {
		return style
	}
	return ""
}

// styleOf is the way of writing that a number shows, "" if it shows none.
func styleOf(s string) string {
	point, comma := strings.LastIndexByte(s, '.'), strings.LastIndexByte(s, ',')
	switch {
	case strings.Trim(s, "+-0123456789.,") != "", point < 0 && comma < 0:
		return ""
	case point >= 0 && comma >= 0 && point > comma:
		return "1,234.5"
	case point >= 0 && comma >= 0:
		return "1.234,5"
	case ungroup(s) != "":
		return "" // 1.240 or 1,240
	case point >= 0:
		return "1234.5"
	}
	return "1234,5"
}

// headings that people use, by field. Headings that name a field are known without.
var synonyms = [...]struct {
	field string
	words []string
}{
	{"machine", []string{"machine id", "machine no", "machine no.", "machine number", "splicer", "splicer id", "splicer no", "unit", "device", "asset"}},
	{"model", []string{"type of machine", "machine model", "machine type"}},
	{"program", []string{"fibre program", "fiber program", "programme", "fibre type", "fiber type"}},
	{"site", []string{"location", "place", "where"}},
	{"operator", []string{"technician", "tech", "by", "done by", "name", "initials"}},
	{Clock, []string{"time of day", "clock", "hour"}},
	{"time", []string{"date and time", "date time", "datetime", "timestamp", "date/time", "when"}},
	{"arc_count", []string{"arcs", "arc counter", "counter", "arc no"}},
	{"passed", []string{"result", "pass", "pass/fail", "pass / fail", "ok", "outcome"}},
	{"attempt", []string{"attempt no", "try"}},
	{"attempts", []string{"tries", "number of attempts"}},
	{"meltback_left_um", []string{"meltback left", "left meltback", "mb left", "melt left"}},
	{"meltback_right_um", []string{"meltback right", "right meltback", "mb right", "melt right"}},
	{"power_setting_pct", []string{"power setting", "arc power", "power", "setting"}},
	{"power_correction_pct", []string{"power correction", "correction"}},
	{"temperature_c", []string{"temperature", "air temperature", "air temp", "temp", "outside temp"}},
	{"humidity_pct", []string{"humidity", "rel. humidity", "relative humidity", "rh"}},
	{"altitude_m", []string{"altitude", "elevation", "height"}},
	{"pressure_hpa", []string{"pressure", "air pressure", "baro", "barometer", "station pressure"}},
	{"action", []string{"work", "work done", "service"}},
	{"finding", []string{"found", "findings"}},
	{"pair", []string{"electrode pair", "electrode lot", "pair lot", "lot", "electrodes"}},
	{"cleaver", []string{"cleaver id", "cleaver no"}},
	{Note, []string{"note", "notes", "remark", "remarks", "comment", "comments"}},
}

// fieldOf is the field that a heading names, "" if none.
func fieldOf(heading string) string {
	bare := fold(heading)
	if at := strings.IndexAny(bare, "([,"); at > 0 {
		bare = strings.TrimSpace(bare[:at])
	}
	if bare == Date || bare == "day" { // rather than a record's own field of that name
		return Date
	}
	if f, ok := drift.FieldNamed(strings.ReplaceAll(bare, " ", "_")); ok && f.Name != "id" {
		return f.Name
	}
	if f, ok := drift.FieldNamed(fold(heading)); ok {
		return f.Name
	}
	for _, s := range synonyms {
		if slices.Contains(s.words, bare) {
			return s.field
		}
	}
	return ""
}

// unitIn is the unit that a heading names for a field that has several.
func unitIn(field, heading string) string {
	for _, u := range wire.UnitsOf(field) {
		for _, name := range append([]string{u.Name}, aliases(u.Name)...) {
			for _, part := range strings.FieldsFunc(heading, func(r rune) bool { return strings.ContainsRune(" ()[],", r) }) {
				if len(name) > 1 && strings.EqualFold(part, name) || len(name) == 1 && part == name && strings.ContainsAny(heading, "([") {
					return u.Name
				}
			}
		}
	}
	return ""
}

// wordsFor explains the words of a column that takes few: those that mean yes or no to
// everybody, and the field's own.
func wordsFor(field string, values []string) map[string]string {
	f, ok := drift.FieldNamed(field)
	if !ok || f.Kind != drift.Flag && f.Words == nil {
		return nil
	}
	out := map[string]string{}
	for _, v := range values {
		switch word := fold(v); {
		case f.Words != nil && slices.Contains(f.Words, word):
			out[v] = word
		case f.Kind != drift.Flag:
		case slices.Contains([]string{"pass", "passed", "ok", "yes", "y", "true", "good"}, word):
			out[v] = "true"
		case slices.Contains([]string{"fail", "failed", "no", "n", "false", "bad", "not ok", "nok"}, word):
			out[v] = "false"
		}
	}
	return out
}
