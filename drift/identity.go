package drift

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"time"
)

// AppendCanonical appends the one form of the record's bytes: a JSON object
// (RFC 8259) with the known fields in table order, then extra and a
// correction's fields. Numbers are the shortest that read back the same; times
// keep their offset. Equal records have equal bytes.
func (r *Record) AppendCanonical(b []byte) []byte {
	b = append(b, '{')
	for _, f := range fieldsOf[r.Type] {
		b = f.appendMember(b, r)
	}
	if r.Extra != nil {
		b = appendName(b, "extra")
		b = append(b, canonicalObject(r.Extra)...)
	}
	if r.Correction != nil {
		b = appendName(b, "fields")
		b = r.Correction.AppendFields(b)
	}
	return append(b, '}')
}

// AppendFields appends the new values as a JSON object, canonically too.
func (c *Correction) AppendFields(b []byte) []byte {
	b = append(b, '{')
	for _, change := range c.Changes {
		b = appendMember(b, change.Field, change.Value)
	}
	return append(b, '}')
}

// Identity is the id of a record that came without one: the SHA-256, in hex, of
// the canonical bytes without id and the names of people and with the time in UTC,
// so that sending the same facts again, in whatever form, is harmless, also when the
// name of whoever did it was forgotten meanwhile. Nothing leads from it to a name.
func (r *Record) Identity() string {
	bare := r.Impersonal()
	return bare.NamedIdentity()
}

// About is the machine that the record is about, or "" when it holds for more
// than one: a setup of a fleet, a model or a site, and a correction that would
// make one. It is what a right to write for a machine is asked of.
func (r *Record) About() string {
	if r.Setup != nil && r.Setup.Scope != ScopeMachine {
		return ""
	}
	if r.Correction != nil {
		for _, change := range r.Correction.Changes {
			if change.Field == "scope" && change.Value != string(ScopeMachine) {
				return ""
			}
		}
	}
	return r.Machine
}

// SameBody says whether two records have the same content, ids apart.
func (r *Record) SameBody(other *Record) bool { return r.NamedIdentity() == other.NamedIdentity() }

// Traceable says whether a record carries anything that distinguishes it from a repeat
// of itself. risen is whether its arc count is above the last one known.
func (r *Record) Traceable(risen bool) bool {
	return r.ID != "" || !r.Time.IsZero() || r.Seq.Known() || risen
}

// appendMember appends what a record of the field's types holds, nothing where that is
// absent. It is appendMember of the field's value without making that a value: every record
// that arrives passes here more than once.
func (f *Field) appendMember(b []byte, r *Record) []byte {
	switch p := f.ref(r).(type) {
	case *string:
		if *p != "" {
			b = appendString(appendName(b, f.Name), *p)
		}
	case *Opt[float64]:
		if v, ok := p.Get(); ok {
			b = appendNumber(appendName(b, f.Name), v)
		}
	case *Opt[int64]:
		switch v, ok := p.Get(); {
		case ok && f.Kind == Days && v <= 1:
			b = strconv.AppendBool(appendName(b, f.Name), v == 1)
		case ok:
			b = strconv.AppendInt(appendName(b, f.Name), v, 10)
		}
	case *Opt[bool]:
		if v, ok := p.Get(); ok {
			b = strconv.AppendBool(appendName(b, f.Name), v)
		}
	case *time.Time:
		if !p.IsZero() {
			b = appendTime(appendName(b, f.Name), *p)
		}
	default:
		panic(fmt.Sprintf("drift: field %s refers to a %T", f.Name, p))
	}
	return b
}

func appendMember(b []byte, name string, v any) []byte {
	b = appendName(b, name)
	switch v := v.(type) {
	case nil:
		return append(b, "null"...)
	case string:
		return appendString(b, v)
	case float64:
		return appendNumber(b, v)
	case int64:
		return strconv.AppendInt(b, v, 10)
	case bool:
		return strconv.AppendBool(b, v)
	case time.Time:
		return appendTime(b, v)
	default:
		panic(fmt.Sprintf("drift: no canonical form for a %T", v))
	}
}

func appendNumber(b []byte, v float64) []byte {
	return strconv.AppendFloat(b, v+0, 'g', -1, 64) // -0 is 0
}

func appendTime(b []byte, t time.Time) []byte {
	b = t.AppendFormat(append(b, '"'), time.RFC3339Nano)
	return append(b, '"')
}

func appendName(b []byte, name string) []byte {
	if b[len(b)-1] != '{' {
		b = append(b, ',')
	}
	b = appendString(b, name)
	return append(b, ':')
}

// appendString writes s as encoding/json does without escaping for HTML; most
// text is plain and needs no more than its quotes.
func appendString(b []byte, s string) []byte {
	if plain(s) {
		return append(append(append(b, '"'), s...), '"')
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(s); err != nil {
		panic("drift: a string that JSON cannot hold: " + err.Error())
	}
	return append(b, bytes.TrimSuffix(out.Bytes(), []byte{'\n'})...)
}

func plain(s string) bool {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c > '~' || c == '"' || c == '\\' {
			return false
		}
	}
	return true
}

// canonicalObject sorts the keys and drops the white space of a JSON object;
// numbers stay digit for digit. What is no JSON is kept as it came.
func canonicalObject(raw []byte) []byte {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		return raw
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return raw
	}
	return bytes.TrimSuffix(out.Bytes(), []byte{'\n'})
}
