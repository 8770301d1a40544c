package sheet

import (
	"math"
	"regexp"
	"strconv"
	"strings"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Numbers are the ways in which a table may write numbers, each by an example. Without
// one of them a number that can be read in two ways is refused, as forms do.
func Numbers() []string { return []string{"1234.5", "1,234.5", "1234,5", "1.234,5"} }

// marks are the decimal mark and what stands between thousands, 0 for nothing.
func marks(style string) (decimal, group byte) {
	switch style {
	case "1234.5":
		return '.', 0
	case "1,234.5":
		return '.', ','
	case "1234,5":
		return ',', 0
	case "1.234,5":
		return ',', '.'
	}
	return 0, 0
}

// grouped matches digits that one mark or space groups by thousands.
var grouped = regexp.MustCompile(`^[+-]?[1-9][0-9]{0,2}(?:(?:\.[0-9]{3})+|(?:,[0-9]{3})+|(?:[ '\x{2019}][0-9]{3})+)$`)

// number reads a number of the column as text with a decimal point, in the unit of the
// field. reason says why it cannot.
func (c *Column) number(f *drift.Field, cell, style string) (text, reason string) {
	cell, reason = c.withoutUnit(f, cell)
	if reason != "" {
		return "", reason
	}
	holds := func(text string) bool {
		x, err := strconv.ParseFloat(text, 64)
		return err == nil && f.Holds(c.toSI(f, x)) && (f.Kind == drift.Number || x == math.Trunc(x))
	}
	text, reason = plain(cell, style, holds)
	x, err := strconv.ParseFloat(text, 64)
	if reason != "" || err != nil || c.Unit == "" || wire.UnitsOf(f.Name) == nil || wire.UnitsOf(f.Name)[0].Name == c.Unit {
		return text, reason // wire says what is wrong with what is no number
	}
	return strconv.FormatFloat(math.Round(100*c.toSI(f, x))/100+0, 'f', -1, 64), ""
}

func (c *Column) toSI(f *drift.Field, x float64) float64 {
	if u, ok := wire.UnitNamed(f.Name, c.Unit); ok {
		return u.SI(x)
	}
	return x
}

// withoutUnit removes the unit behind a number. One that the column is not in is an error.
func (c *Column) withoutUnit(f *drift.Field, cell string) (number, reason string) {
	cell = strings.NewReplacer("\u2212", "-", "\u00a0", " ", "\u202f", " ").Replace(cell)
	if after, dash := strings.CutPrefix(cell, "\u2013"); dash { // typed as a minus
		cell = "-" + after
	}
	number = strings.TrimRight(cell, "%°µμ abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ\"'")
	said := strings.TrimSpace(cell[len(number):])
	if said == "" || number == "" {
		return cell, ""
	}
	units := []string{unitMark(f)}
	if all := wire.UnitsOf(f.Name); all != nil {
		units = []string{c.Unit}
		if c.Unit == "" {
			units[0] = all[0].Name
		}
	}
	for _, name := range append(units, aliases(units[0])...) {
		if name != "" && strings.EqualFold(said, name) {
			return strings.TrimSpace(number), ""
		}
	}
	if units[0] == "" {
		return "", "has " + strconv.Quote(said) + " behind its number"
	}
	return "", "has the unit " + strconv.Quote(said) + ", but the column is in " + units[0]
}

// unitMark is how people write the unit of a field that has one only.
func unitMark(f *drift.Field) string {
	return map[string]string{"percent": "%", "micrometres": "µm", "decibels": "dB", "minutes": "min", "arcs": "arcs", "days": "d"}[f.Unit]
}

// aliases are other ways to write a unit.
func aliases(unit string) []string {
	return map[string][]string{"°C": {"C"}, "°F": {"F"}, "m": {"msl", "m asl"}, "ft": {"feet", "'"}, "hPa": {"mbar", "mb"}, "inHg": {"in", "\""}, "µm": {"um", "μm"}, "%": {"%RH", "% RH", "% rH"}}[unit]
}

// plain rewrites a number with a decimal point and nothing between thousands. Text that
// is no number comes back as it is, for the decoder to refuse.
func plain(s, style string, holds func(string) bool) (text, reason string) {
	if strings.Trim(s, "+-0123456789., '\u2019") != "" || !strings.ContainsAny(s, "0123456789") {
		return s, ""
	}
	decimal, group := marks(style)
	if style == "" {
		return unstated(s, holds)
	}
	whole, fraction, hasFraction := cutLast(s, decimal)
	joined := ungroup(whole)
	foreign := strings.ContainsAny(whole, ".,")
	switch {
	case strings.ContainsAny(fraction, "., '"), !foreign && joined == "":
		return s, ""
	case !foreign, joined != "" && (hasFraction || group != 0 && strings.IndexByte(whole, group) >= 0):
		if hasFraction {
			joined += "." + fraction
		}
		return joined, ""
	case !hasFraction && joined == "": // the other mark, where it can only be decimal
		return strings.Replace(s, ",", ".", 1), ""
	case joined != "" && !holds(strings.Replace(s, ",", ".", 1)):
		return joined, ""
	case joined != "":
		return "", twoReadings(joined, strings.Replace(s, ",", ".", 1), style)
	}
	return s, ""
}

// unstated reads a number of a table that does not say how it writes them.
func unstated(s string, holds func(string) bool) (text, reason string) {
	if at := strings.LastIndexAny(s, ".,"); at >= 0 && strings.ContainsAny(s[:at], ".,") && s[at] != s[strings.IndexAny(s, ".,")] {
		if joined := ungroup(s[:at]); joined != "" {
			return joined + "." + s[at+1:], ""
		}
		return s, ""
	}
	joined, point := ungroup(s), strings.Replace(s, ",", ".", 1)
	switch {
	case joined == "", joined == s:
		return point, ""
	case !strings.ContainsAny(s, ".,"), !holds(point):
		return joined, ""
	case !holds(joined):
		return point, ""
	}
	return "", twoReadings(joined, point, "")
}

func twoReadings(joined, point, style string) string {
	x, err := strconv.ParseFloat(point, 64)
	if err == nil {
		point = strconv.FormatFloat(x, 'f', -1, 64)
	}
	said := "the mapping does not say how the table writes numbers"
	if style != "" {
		said = "the mapping says that numbers are written like " + style
	}
	return "can be read as " + joined + " or as " + point + ": " + said
}

// ungroup removes what groups digits by thousands; "" if s is no whole number.
func ungroup(s string) string {
	if grouped.MatchString(s) {
		return strings.NewReplacer(".", "", ",", "", " ", "", "'", "", "\u2019", "").Replace(s)
	}
	if digits := strings.TrimLeft(s, "+-"); digits == "" || strings.Trim(digits, "0123456789") != "" {
		return ""
	}
	return s
}

func cutLast(s string, mark byte) (before, after string, found bool) {
	if at := strings.LastIndexByte(s, mark); at >= 0 {
		return s[:at], s[at+1:], true
	}
	return s, "", false
}
