package wire

import (
	"regexp"
	"slices"
	"time"

	"arcdrift/drift"
)

// MaxRecord is the greatest length of a record in bytes, in any form.
const MaxRecord = 64 << 10

// MaxExtra is the greatest length of extra in bytes.
const MaxExtra = 16 << 10

// maxDepth is how deep extra may be nested, so that any JSON reader can read an export.
const maxDepth = 32

// envelope lists the fields that an export adds to a record, like the field table.
var envelope = []drift.Field{
	{Name: "received", Kind: drift.Moment},
	{Name: "via", Kind: drift.Text},
	{Name: "store_epoch", Kind: drift.Integer},
	{Name: "store_seq", Kind: drift.Integer},
	{Name: "possible_repeat", Kind: drift.Flag},
	{Name: "account", Kind: drift.Text},
}

// recordFields finds a field of a record or of its envelope by name.
var recordFields = byName(drift.AllFields(), envelope)

func byName(table []*drift.Field, more []drift.Field) map[string]*drift.Field {
	out := map[string]*drift.Field{}
	for _, f := range table {
		out[f.Name] = f
	}
	for i := range more {
		out[more[i].Name] = &more[i]
	}
	return out
}

// draft collects the values of one record. They come in any order; which ones are allowed
// is known only with the type.
type draft struct {
	values   []value
	extra    []byte
	parts    []byte // members of extra given one by one: "name":"text",
	changes  []drift.Change
	corrects bool // fields were given
	arrival  Arrival
}

// Arrival is what an export says about how a record came: when, whether it may be a
// repeat, and under which account. Received is zero if the export says nothing.
type Arrival struct {
	Received       time.Time
	PossibleRepeat bool
	Account        string
}

// accounts matches the value of account: names, those of agents further away behind a
// slash each.
var accounts = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}(/[A-Za-z0-9][A-Za-z0-9._-]{0,63}){0,2}$`)

// value is what was given for a field, and how it was written.
type value struct {
	field *drift.Field
	v     any
	text  string
}

// put takes the value of a field of the record or its envelope.
func (d *draft) put(f *drift.Field, v any, text string) {
	switch {
	case v == nil:
	case f.Name == "received":
		d.arrival.Received, _ = v.(time.Time)
	case f.Name == "possible_repeat":
		d.arrival.PossibleRepeat, _ = v.(bool)
	case f.Name == "account":
		if accounts.MatchString(text) { // anything else is ignored
			d.arrival.Account = text
		}
	case !ofEnvelope(f):
		d.values = append(d.values, value{f, v, text})
	}
}

// ofEnvelope says whether f is a row of envelope.
func ofEnvelope(f *drift.Field) bool {
	for i := range envelope {
		if f == &envelope[i] {
			return true
		}
	}
	return false
}

// record makes the record and checks it.
func (d *draft) record() (drift.Record, error) {
	var r drift.Record
	for _, v := range d.values {
		if v.field.Name == "type" {
			r.Type = drift.Type(v.v.(string))
		}
	}
	if err := r.Allocate(); err != nil {
		return drift.Record{}, err
	}
	for _, v := range d.values {
		if err := v.set(&r); err != nil {
			return drift.Record{}, err
		}
	}
	if d.parts != nil {
		if d.extra != nil {
			return drift.Record{}, &drift.Problem{Field: "extra", Reason: "is given both as a whole and in parts: keep one"}
		}
		if err := d.takeExtra(slices.Concat([]byte("{"), d.parts[:len(d.parts)-1], []byte("}"))); err != nil {
			return drift.Record{}, err
		}
	}
	r.Extra = d.extra
	switch {
	case r.Correction != nil:
		r.Correction.Changes = tableOrder(d.changes)
	case d.corrects:
		return drift.Record{}, &drift.Problem{Field: "fields", Reason: "does not belong in a " + string(r.Type) + " record"}
	}
	if err := r.Check(); err != nil {
		return drift.Record{}, err
	}
	return r, nil
}

// set sets the field; a problem shows the value as it was written.
func (v *value) set(r *drift.Record) error {
	err := v.field.Set(r, v.v)
	if p, ok := err.(*drift.Problem); ok {
		p.Value = v.text
	}
	return err
}

// tableOrder sorts changes into the order of the field table.
func tableOrder(changes []drift.Change) []drift.Change {
	var out []drift.Change
	for _, f := range drift.AllFields() {
		for _, c := range changes {
			if c.Field == f.Name {
				out = append(out, c)
			}
		}
	}
	return out
}
