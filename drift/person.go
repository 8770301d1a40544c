package drift

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
)

// PseudonymPrefix begins every pseudonym, which replaces a person's name where the
// name must not be shown; 16 small letters and digits follow it.
const PseudonymPrefix = "person-"

// IsPseudonym says whether a text is a pseudonym and no name.
func IsPseudonym(text string) bool {
	code, ok := strings.CutPrefix(text, PseudonymPrefix)
	return ok && len(code) == 16 && strings.Trim(code, "abcdefghijklmnopqrstuvwxyz234567") == ""
}

// People are what the record says in its fields that name a person, and what a
// correction gives them, in the order of the field table; "" where it says nothing.
// Two records with one [Record.Identity] have equally many, a missing one counted.
func (r *Record) People() []string {
	var out []string
	r.WithPeople(func(name string) string {
		out = append(out, name)
		return name
	})
	return out
}

// Personal says whether the record names anybody.
func (r *Record) Personal() bool {
	for _, name := range r.People() {
		if name != "" {
			return true
		}
	}
	return false
}

// WithPeople returns the record with what is given in the place of each of its
// [Record.People]. The record itself does not change.
func (r *Record) WithPeople(instead func(name string) string) Record {
	out := *r
	for _, f := range personFields {
		name := f.ref(&out).(*string) // of the record itself, not of its body
		*name = instead(*name)
	}
	if r.Correction == nil {
		return out
	}
	var changes []Change
	for i, change := range r.Correction.Changes {
		name, text := change.Value.(string)
		if f, known := FieldNamed(change.Field); !text || !known || !f.Person {
			continue
		}
		if changes == nil {
			changes = append(changes, r.Correction.Changes...)
		}
		changes[i].Value = instead(name)
	}
	if changes != nil {
		correction := *r.Correction
		correction.Changes = changes
		out.Correction = &correction
	}
	return out
}

// Impersonal is the record without the names of people: what its identity is made
// of, and what two stores that give a person different pseudonyms have in common.
func (r *Record) Impersonal() Record { return r.WithPeople(func(string) string { return "" }) }

// NamedIdentity is the identity with the names of people, which earlier versions
// gave as an id to records that came without one.
func (r *Record) NamedIdentity() string {
	bare := *r
	bare.ID = ""
	if !bare.Time.IsZero() {
		bare.Time = bare.Time.UTC()
	}
	sum := sha256.Sum256(bare.AppendCanonical(make([]byte, 0, 512))) // most are shorter
	return hex.EncodeToString(sum[:])
}
