package web

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"arcdrift/drift"
	"arcdrift/drift/phrase"
)

// entryField is one field of a form with its label, unit and hint.
type entryField struct {
	Name, Label, Value, Unit, Hint, Problem string
	// Number opens the keypad, else a keyboard does; Whole is one without a
	// fraction.
	Number, Whole bool
	// Offset makes it a picker of a date and a time with that offset from UTC.
	Offset string
	// Bounded says that the value, in SI, must be from Min to Max.
	Bounded  bool
	Min, Max float64
}

// fieldLabels are the words beside the fields of the forms.
var fieldLabels = [...]struct{ name, label string }{
	{"temperature_c", "Air temperature"},
	{"humidity_pct", "Humidity"},
	{"altitude_m", "Altitude above sea level"},
	{"pressure_hpa", "Station pressure, if measured"},
	{"machine_temperature_c", "Machine's own temperature, if it shows one"},
	{"arc_count", "Arc count"},
	{"power_setting_pct", "Power setting"},
	{"power_correction_pct", "Correction it made"},
	{"meltback_left_um", "Meltback left"},
	{"meltback_right_um", "Meltback right"},
	{"meltback_target_um", "Meltback target"},
	{"meltback_tolerance_um", "Meltback tolerance"},
}

func labelOf(field string) string {
	for _, f := range fieldLabels {
		if f.name == field {
			return f.label
		}
	}
	return fieldWord(field)
}

// numberFields makes the named fields, filled in with what was typed.
func numberFields(u units, typed url.Values, wrong mistakes, names ...string) []entryField {
	var out []entryField
	for _, name := range names {
		f := entryField{Name: name, Label: labelOf(name), Value: typed.Get(name), Unit: u.unit(name), Number: true, Problem: wrong.At(name)}
		if of, ok := drift.FieldNamed(name); ok {
			f.bound(of)
		}
		out = append(out, f)
	}
	return out
}

// askedFor is what a form calls a field that it asks for; "" for none.
func askedFor(field string) string {
	switch field {
	case "":
		return ""
	case "passed":
		return "What the machine said"
	case "action":
		return "Work on the electrodes"
	case "reason":
		return "Why it is corrected"
	case "found_correction_pct":
		return "Correction as found"
	case "left_correction_pct":
		return "Correction as left"
	}
	label, _, _ := strings.Cut(phrase.Sentence(labelOf(field)), ",")
	return label
}

// mistake is what is wrong with a form, in the words and units of the form.
type mistake struct{ Field, Text string }

// mistakes are all that is wrong with a form.
type mistakes []mistake

// At is what is wrong with a field, "" for nothing.
func (m mistakes) At(field string) string {
	for _, one := range m {
		if one.Field == field {
			return one.Text
		}
	}
	return ""
}

func mistakesOf(u units, problems ...*drift.Problem) (out mistakes) {
	for _, p := range problems {
		if p != nil {
			out = append(out, mistakeOf(p, u))
		}
	}
	return out
}

func mistakeOf(p *drift.Problem, u units) mistake {
	shown := drift.Problem{Field: askedFor(p.Field), Value: p.Value, Reason: p.Reason}
	if p.Value == "" && strings.HasPrefix(p.Reason, "is missing") {
		shown.Reason = "is missing" // the form says what is missing
	}
	f, measured := drift.FieldNamed(p.Field)
	if x, err := strconv.ParseFloat(p.Value, 64); measured && err == nil && f.Kind == drift.Number {
		shown.Value = u.show(f.Name, x)
		shown.Reason = fmt.Sprintf("must be from %s to %s %s", u.show(f.Name, f.Min), u.show(f.Name, f.Max), u.unit(f.Name))
	}
	text := strings.ReplaceAll(shown.Error(), " -", " \u2212")
	if !strings.HasSuffix(text, "?") {
		text += "."
	}
	return mistake{p.Field, text}
}

// bound holds the field to what the field of a record may be.
func (f *entryField) bound(of *drift.Field) {
	f.Bounded, f.Whole, f.Min, f.Max = true, of.Kind != drift.Number, of.Min, of.Max
}

// lastAir is the air of a machine's latest calibration that has any, as it reads
// after corrections.
func lastAir(history []drift.Entry) (drift.Entry, bool) {
	return lastWhere(history, func(e *drift.Entry) bool {
		c := e.Calibration
		return c != nil && (c.Temperature.Known() || c.Altitude.Known() || c.Pressure.Known())
	})
}

func lastWhere(history []drift.Entry, is func(*drift.Entry) bool) (drift.Entry, bool) {
	ordered := slices.Clone(history)
	drift.Order(ordered)
	for _, e := range slices.Backward(drift.Correct(ordered)) {
		if is(&e) {
			return e, true
		}
	}
	return drift.Entry{}, false
}

// airNames are the fields that say what the air is like.
var airNames = [...]string{"temperature_c", "humidity_pct", "altitude_m", "pressure_hpa"}

// airValues are the known values of the record's air, in the reader's units.
func airValues(e *drift.Entry, u units) url.Values {
	out := url.Values{}
	for _, name := range airNames {
		f, ok := drift.FieldNamed(name)
		if !ok {
			continue
		}
		if v, known := f.Value(&e.Record); known {
			if x, isNumber := v.(float64); isNumber {
				out.Set(name, u.show(name, x))
			}
		}
	}
	return out
}
