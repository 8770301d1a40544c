package wire

import (
	"encoding/json"
	"strings"
	"unicode/utf8"

	"arcdrift/drift"
)

// Person is what one agent reports to another about a pseudonym in its records: the name,
// or "" if it was forgotten.
type Person struct {
	Pseudonym string `json:"pseudonym"`
	Name      string `json:"name,omitempty"`
}

// AppendPerson appends it as one JSON object without a line end.
func AppendPerson(b []byte, p Person) []byte {
	raw, err := json.Marshal(p)
	if err != nil {
		panic("wire: two texts that JSON cannot hold: " + err.Error())
	}
	return append(b, raw...)
}

// ReadPerson reads such a line. The error is a *drift.Problem.
func ReadPerson(line []byte) (Person, error) {
	var p Person
	dec := json.NewDecoder(strings.NewReader(string(line)))
	dec.DisallowUnknownFields()
	switch err := dec.Decode(&p); {
	case err != nil || !utf8.Valid(line):
		return Person{}, &drift.Problem{Reason: "is not a pseudonym with a name"}
	case !drift.IsPseudonym(p.Pseudonym):
		return Person{}, &drift.Problem{Field: "pseudonym", Value: p.Pseudonym, Reason: "is not a pseudonym"}
	case len(p.Name) > drift.MaxText || drift.IsPseudonym(p.Name):
		return Person{}, &drift.Problem{Field: "name", Value: p.Name, Reason: "is not a name of at most 64 bytes"}
	}
	return p, nil
}
