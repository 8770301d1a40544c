package wire

import (
	"maps"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// Form reads one record from form values with the names of CSV columns. Empty values are
// absent, spaces around a value are ignored, and a name that is given twice is refused.
// The error is a *drift.Problem.
func Form(v url.Values) (drift.Record, error) { return fromValues(v, typed) }

// Row reads one record from values with the names of CSV columns whose numbers have a
// decimal point and nothing between thousands: those of a table that was read already.
// Otherwise it is as [Form].
func Row(v url.Values) (drift.Record, error) { return fromValues(v, pointOnly) }

func fromValues(v url.Values, how notation) (drift.Record, error) {
	var d draft
	err := formValues(v, func(name, text string) error {
		c, err := columnNamed(name)
		if err != nil {
			return err
		}
		return d.cell(&c, text, how)
	})
	if err != nil {
		return drift.Record{}, err
	}
	return d.record()
}

// formValues calls take for each value, in alphabetical order of the names.
func formValues(v url.Values, each func(name, text string) error) error {
	for _, name := range slices.Sorted(maps.Keys(v)) {
		if len(v[name]) > 1 {
			return &drift.Problem{Field: label(name), Reason: "is given twice"}
		}
		for _, text := range v[name] {
			if err := each(name, strings.TrimSpace(text)); err != nil {
				return err
			}
		}
	}
	return nil
}

// column is what a name stands for in rows and form values.
type column struct {
	name string
	// object is extra or fields if the column is one of these, or the member of that
	// name of it.
	object, member string
	// field is the field to set, of the record or in fields; nil for others.
	field *drift.Field
}

func (c *column) whole() bool { return c.object != "" && c.member == "" }

func columnNamed(name string) (column, error) {
	object, member, dotted := strings.Cut(name, ".")
	c := column{name: name, object: object, member: member}
	var ok bool
	switch {
	case (object == "extra" || object == "fields") && !dotted, object == "extra" && member != "":
		return c, nil
	case object == "fields":
		if c.field, ok = drift.FieldNamed(member); !ok {
			return c, drift.UnknownField(member)
		}
		return c, nil
	}
	c = column{name: name}
	if c.field, ok = recordFields[name]; !ok {
		return c, drift.UnknownField(name)
	}
	return c, nil
}

// cell takes the text of one cell or form value.
func (d *draft) cell(c *column, text string, how notation) error {
	switch {
	case text == "":
		return nil
	case c.whole():
		return d.objectCell(c.object, text)
	case c.object == "extra":
		return d.extraCell(c.member, text)
	}
	v, err := parse(c.field, text, how)
	if err != nil || v == nil {
		return err
	}
	if c.object == "" {
		d.put(c.field, v, text)
		return nil
	}
	d.corrects = true
	if slices.ContainsFunc(d.changes, func(made drift.Change) bool { return made.Field == c.member }) {
		return &drift.Problem{Field: c.name, Reason: "is given twice"}
	}
	d.changes = append(d.changes, drift.Change{Field: c.member, Value: v})
	return nil
}

// objectCell reads a whole object from one cell.
func (d *draft) objectCell(name, text string) error {
	raw := jsontext.Value(strings.TrimSpace(text))
	if !raw.IsValid() {
		return &drift.Problem{Field: name, Value: text, Reason: `must be a JSON object, like {"passed": false}`}
	}
	if name == "extra" {
		return d.takeExtra(raw)
	}
	return d.takeFields(raw)
}

// extraCell takes one member of extra, always text.
func (d *draft) extraCell(member, text string) error {
	for _, part := range []string{member, text} {
		quoted, err := jsontext.AppendQuote(nil, part)
		if err != nil {
			return &drift.Problem{Field: label("extra." + member), Reason: "must be UTF-8 text"}
		}
		d.parts = append(append(d.parts, quoted...), ':')
	}
	d.parts[len(d.parts)-1] = ','
	return nil
}
