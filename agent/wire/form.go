package wire

import (
	"maps"
	"net/url"
	"slices"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// Form reads one record from form values named as the columns of CSV. Empty
// values are absent, spaces around a value are nobody's, and a name given twice
// is refused. The error is a *drift.Problem.
func Form(v url.Values) (drift.Record, error) {
	var d draft
	if err := formValues(v, func(name, text string) error { return d.cell(name, text, true) }); err != nil {
		return drift.Record{}, err
	}
	return d.record()
}

// formValues hands on the values by name, in alphabetical order.
func formValues(v url.Values, each func(name, text string) error) error {
	for _, name := range slices.Sorted(maps.Keys(v)) {
		if len(v[name]) > 1 {
			return &drift.Problem{Field: label(name), Reason: "stands twice in one form"}
		}
		for _, text := range v[name] {
			if err := each(name, strings.TrimSpace(text)); err != nil {
				return err
			}
		}
	}
	return nil
}

// column is what a name stands for where records are rows or form values: a
// field, or a member of extra or fields.
func column(name string) (object, member string, err error) {
	switch object, member, dotted := strings.Cut(name, "."); {
	case object == "extra" && (!dotted || member != ""):
		return object, member, nil
	case object == "fields" && !dotted:
		return object, "", nil
	case object == "fields":
		if _, ok := drift.FieldNamed(member); !ok {
			return "", "", drift.UnknownField(member)
		}
		return object, member, nil
	}
	if _, ok := recordFields[name]; !ok {
		return "", "", drift.UnknownField(name)
	}
	return "", name, nil
}

// cell takes the text of one cell or form value.
func (d *draft) cell(name, text string, decimal comma) error {
	object, member, err := column(name)
	if err != nil || text == "" {
		return err
	}
	switch {
	case object != "" && member == "":
		return d.objectCell(object, text)
	case object == "extra":
		return d.extraCell(member, text)
	}
	f := recordFields[member]
	v, err := parse(f, text, decimal)
	if err != nil || v == nil {
		return err
	}
	if object == "fields" {
		d.corrects = true
		if slices.ContainsFunc(d.changes, func(c drift.Change) bool { return c.Field == f.Name }) {
			return &drift.Problem{Field: name, Reason: "stands twice in one record"}
		}
		d.changes = append(d.changes, drift.Change{Field: f.Name, Value: v})
		return nil
	}
	d.put(f, v, text)
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
