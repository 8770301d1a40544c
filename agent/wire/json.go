package wire

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// Record reads one record from one JSON object. The error is a *drift.Problem; the record
// then has the machine only, if that could be read.
func Record(raw []byte) (drift.Record, error) {
	r, _, err := new(reader).record(raw)
	return r, err
}

// RecordFor reads one record whose channel gives its type and machine, so that the record
// may leave them out.
func RecordFor(t drift.Type, machine string, raw []byte) (drift.Record, error) {
	r, _, err := new(reader).record(raw,
		value{recordFields["type"], string(t), string(t)}, value{recordFields["machine"], machine, machine})
	return r, err
}

// reader reads JSON objects, one after the other.
type reader struct {
	dec    jsontext.Decoder
	values []value
}

// record reads a record and, if an export wrote it, its arrival. The given values count
// where the record has none.
func (j *reader) record(raw []byte, said ...value) (r drift.Record, arrival Arrival, err error) {
	d := draft{values: append(slices.Grow(j.values[:0], 24), said...)}
	if err = members(&j.dec, raw, d.member); err == nil {
		j.values = d.values
		r, err = d.record()
	}
	if err != nil {
		return drift.Record{Machine: machineIn(raw)}, Arrival{}, err
	}
	return r, d.arrival, nil
}

// machineIn is the machine that a refused object names, as far as it can be read.
func machineIn(raw []byte) (name string) {
	_ = members(new(jsontext.Decoder), raw, func(member []byte, v jsontext.Value) error {
		if string(member) == "machine" && v.Kind() == '"' {
			unquoted, _ := jsontext.AppendUnquote(nil, v) // it is well formed, as it was read before
			name = string(unquoted)
		}
		return nil
	}) // nothing after a fault is read
	return name
}

// member takes one member of the record's object.
func (d *draft) member(name []byte, v jsontext.Value) error {
	switch string(name) {
	case "extra":
		return d.takeExtra(v)
	case "fields":
		return d.takeFields(v)
	}
	f, ok := recordFields[string(name)]
	if !ok {
		return drift.UnknownField(string(name))
	}
	parsed, text, err := jsonValue(f, v)
	if err != nil {
		return err
	}
	d.put(f, parsed, text)
	return nil
}

func (d *draft) takeExtra(v jsontext.Value) error {
	switch {
	case v.Kind() == 'n':
		return nil
	case v.Kind() != '{':
		return &drift.Problem{Field: "extra", Value: string(v), Reason: `must be an object, like {"van": 7}`}
	case len(v) > MaxExtra:
		return &drift.Problem{Field: "extra", Reason: fmt.Sprintf("is %d bytes long: it must be at most %d", len(v), MaxExtra)}
	case depth(v) > maxDepth:
		return &drift.Problem{Field: "extra", Reason: fmt.Sprintf("is nested more than %d deep", maxDepth)}
	}
	d.extra = slices.Clone(v)
	return nil
}

// depth is how deep well-formed JSON is nested.
func depth(v jsontext.Value) int {
	deepest := 0
	dec := jsontext.NewDecoder(bytes.NewReader(v))
	for {
		if _, err := dec.ReadToken(); err != nil {
			return deepest
		}
		deepest = max(deepest, dec.StackDepth())
	}
}

// takeFields reads the new values of a correction; null makes a field unknown.
func (d *draft) takeFields(v jsontext.Value) error {
	if v.Kind() == 'n' {
		return nil
	}
	if v.Kind() != '{' {
		return &drift.Problem{Field: "fields", Value: string(v), Reason: `must be an object of new values, like {"passed": false}`}
	}
	d.corrects = true
	return members(new(jsontext.Decoder), v, func(name []byte, v jsontext.Value) error {
		f, ok := drift.FieldNamed(string(name))
		if !ok {
			return drift.UnknownField(string(name))
		}
		parsed, _, err := jsonValue(f, v)
		if err == nil {
			d.changes = append(d.changes, drift.Change{Field: f.Name, Value: parsed})
		}
		return err
	})
}

// jsonValue reads v as a value of the field's kind. It also returns the value as it was
// written.
func jsonValue(f *drift.Field, v jsontext.Value) (parsed any, text string, err error) {
	numeric := f.Kind == drift.Number || f.Kind == drift.Integer || f.Kind == drift.Days
	switch kind := v.Kind(); {
	case kind == 'n':
		return nil, "", nil
	case kind == '{' || kind == '[':
		what := "an object"
		if kind == '[' {
			what = "a list"
		}
		return nil, "", &drift.Problem{Field: f.Name, Reason: "is " + what + ": it must be " + f.Kind.String()}
	case kind == '"':
		var room [2 * drift.MaxText]byte
		unquoted, _ := jsontext.AppendUnquote(room[:0], v) // it is well formed, as it was read before
		text = string(unquoted)
		switch {
		case f.Kind == drift.Text:
			return text, text, nil
		case f.Kind == drift.Moment && text == "":
			return nil, "", nil
		case f.Kind == drift.Moment:
			parsed, err = moment(f, text)
			return parsed, text, err
		}
		if inner, err := parse(f, text, pointOnly); err == nil && inner != nil {
			return nil, "", &drift.Problem{Field: f.Name, Value: text, Reason: "must be " + f.Kind.String() + " without quotes"}
		}
	case kind == '0' && numeric:
		text = string(v)
		parsed, err = number(f, text)
		return parsed, text, err
	case (kind == 't' || kind == 'f') && (f.Kind == drift.Flag || f.Kind == drift.Days):
		return kind == 't', string(v), nil
	default:
		text = string(v)
	}
	switch {
	case f.Kind == drift.Moment:
		return nil, "", &drift.Problem{Field: f.Name, Value: text, Reason: "must be " + timeHint(text)}
	case f.Kind == drift.Text:
		return nil, "", &drift.Problem{Field: f.Name, Value: text, Reason: "must be text in double quotes"}
	}
	return nil, "", wrongKind(f, text)
}

// members reads one JSON object and calls take for each member with its name and its
// value, which is well formed. Both are valid during the call only.
func members(dec *jsontext.Decoder, raw []byte, each func(name []byte, v jsontext.Value) error) error {
	if len(raw) > MaxRecord {
		return tooLong()
	}
	dec.Reset(bytes.NewBuffer(raw))
	if dec.PeekKind() != '{' {
		return &drift.Problem{Reason: notObject(raw)}
	}
	if _, err := dec.ReadToken(); err != nil {
		return notJSON(raw, err)
	}
	var room [drift.MaxText]byte
	name := room[:0]
	for dec.PeekKind() != '}' {
		quoted, err := dec.ReadValue()
		if err != nil {
			return badName(raw, string(name), dec.InputOffset(), err)
		}
		name, _ = jsontext.AppendUnquote(name[:0], quoted)
		v, err := dec.ReadValue()
		if err != nil {
			return badValue(raw, string(name), dec.InputOffset(), err)
		}
		if err := each(name, v); err != nil {
			return err
		}
	}
	if _, err := dec.ReadToken(); err != nil {
		return notJSON(raw, err)
	}
	if rest := bytes.TrimSpace(raw[dec.InputOffset():]); len(rest) > 0 {
		return &drift.Problem{Reason: "there is more text after the closing brace of the record: one record is one JSON object"}
	}
	return nil
}
