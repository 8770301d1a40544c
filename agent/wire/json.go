package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// Record reads one record from one JSON object. The error is a *drift.Problem.
func Record(raw []byte) (drift.Record, error) {
	r, _, err := new(reader).record(raw)
	return r, err
}

// reader reads JSON objects, one after the other.
type reader struct {
	dec    jsontext.Decoder
	values []value
}

// record reads a record and, when an export wrote it, its arrival.
func (j *reader) record(raw []byte) (drift.Record, time.Time, error) {
	d := draft{values: slices.Grow(j.values[:0], 24)}
	if err := members(&j.dec, raw, d.member); err != nil {
		return drift.Record{}, time.Time{}, err
	}
	j.values = d.values
	r, err := d.record()
	return r, d.received, err
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

// jsonValue reads v as the field's kind asks and says how it was written.
func jsonValue(f *drift.Field, v jsontext.Value) (parsed any, text string, err error) {
	numeric := f.Kind == drift.Number || f.Kind == drift.Integer
	switch kind := v.Kind(); {
	case kind == 'n':
		return nil, "", nil
	case kind == '{' || kind == '[':
		what := map[jsontext.Kind]string{'{': "an object", '[': "a list"}[kind]
		return nil, "", &drift.Problem{Field: f.Name, Reason: "is " + what + ": it must be " + f.Kind.String()}
	case kind == '"':
		var room [2 * drift.MaxText]byte
		unquoted, _ := jsontext.AppendUnquote(room[:0], v) // v has been read: it is well formed
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
		if inner, err := parse(f, text, false); err == nil && inner != nil {
			return nil, "", &drift.Problem{Field: f.Name, Value: text, Reason: "must be " + f.Kind.String() + " without quotes"}
		}
	case kind == '0' && numeric:
		text = string(v)
		parsed, err = number(f, text)
		return parsed, text, err
	case (kind == 't' || kind == 'f') && f.Kind == drift.Flag:
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

// members reads one JSON object and hands each member on in turn: its name, and
// its value well formed. Both are valid during the call only.
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
		return &drift.Problem{Reason: "more text follows the closing brace of the record: one record is one JSON object"}
	}
	return nil
}

func tooLong() *drift.Problem {
	return &drift.Problem{Reason: fmt.Sprintf("the record is longer than %d bytes", MaxRecord)}
}

func notObject(raw []byte) string {
	const want = "a record must be one JSON object in braces { }"
	switch start := bytes.TrimSpace(raw); {
	case len(start) == 0:
		return "there is no record here: " + want
	case start[0] == '[':
		return want + ", not a list: send the objects one per line"
	default:
		return want + ", and this does not begin with one"
	}
}

// badName makes a sentence of an error where the name of a member should stand;
// last is the member before it, from the offset where it ended.
func badName(raw []byte, last string, from int64, err error) *drift.Problem {
	var s *jsontext.SyntacticError
	if errors.As(err, &s) && errors.Is(err, jsontext.ErrDuplicateName) {
		return &drift.Problem{Field: label(s.JSONPointer.LastToken()), Reason: "stands twice in one record"}
	}
	rest := bytes.TrimLeft(raw[from:], " \t\r\n")
	next, comma := bytes.CutPrefix(rest, []byte(","))
	next = bytes.TrimLeft(next, " \t\r\n")
	f, ok := recordFields[last]
	numeric := ok && (f.Kind == drift.Number || f.Kind == drift.Integer)
	switch word := bareWord(next); {
	case word == "":
	case numeric && !comma: // 012, 0x10, 1_000: JSON's number ended before
		return &drift.Problem{Field: last, Reason: "must be " + f.Kind.String()}
	case numeric && word[0] >= '0' && word[0] <= '9':
		return &drift.Problem{Field: last, Reason: "must have a decimal point, not a comma"}
	case comma || last == "":
		return &drift.Problem{Field: label(word), Reason: "must stand in double quotes, as every name in JSON"}
	}
	return notJSON(raw, err)
}

// badValue makes a sentence of an error in the value of the named member, which
// begins after the offset.
func badValue(raw []byte, name string, from int64, err error) *drift.Problem {
	var s *jsontext.SyntacticError
	if !errors.As(err, &s) || errors.Is(err, io.ErrUnexpectedEOF) {
		return notJSON(raw, err)
	}
	if errors.Is(err, jsontext.ErrDuplicateName) {
		return &drift.Problem{Field: label(name), Reason: fmt.Sprintf("holds %.60q twice", s.JSONPointer.LastToken())}
	}
	v, colon := bytes.CutPrefix(bytes.TrimLeft(raw[from:], " \t\r\n"), []byte(":"))
	if !colon {
		return notJSON(raw, err)
	}
	v = bytes.TrimLeft(v, " \t\r\n")
	at := raw[min(int(s.ByteOffset), len(raw)):]
	f, ok := recordFields[name]
	if r, size := utf8.DecodeRune(at); r == utf8.RuneError && size == 1 {
		return &drift.Problem{Field: label(name), Reason: "must be UTF-8 text"}
	}
	switch {
	case len(v) > 0 && v[0] == '"' && ok:
		return &drift.Problem{Field: name, Reason: fmt.Sprintf("is not text that JSON can hold: %v", s.Err)}
	case ok && bareWord(v) != "" && f.Kind == drift.Text:
		return &drift.Problem{Field: name, Value: bareWord(v), Reason: "must be text in double quotes"}
	case ok && bareWord(v) != "":
		return wrongKind(f, bareWord(v))
	}
	return notJSON(raw, err)
}

// notJSON says where the text stops being JSON.
func notJSON(raw []byte, err error) *drift.Problem {
	var s *jsontext.SyntacticError
	if errors.Is(err, io.ErrUnexpectedEOF) || !errors.As(err, &s) {
		return &drift.Problem{Reason: "the record ends in the middle: it was cut short"}
	}
	at := raw[min(int(s.ByteOffset), len(raw)):]
	return &drift.Problem{Reason: fmt.Sprintf("the record is not JSON from byte %d on, at %.20q: %v", s.ByteOffset+1, at, s.Err)}
}

// label is a name as a problem shows it, which may be anything.
func label(name string) string { return drift.UnknownField(name).Field }

// bareWord is the run of text up to the next mark of JSON: what somebody wrote
// without quotes.
func bareWord(b []byte) string {
	end := bytes.IndexAny(b, " \t\r\n,:{}[]\"")
	if end < 0 {
		end = len(b)
	}
	return strings.ToValidUTF8(string(b[:end]), "")
}
