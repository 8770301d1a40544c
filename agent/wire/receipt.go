package wire

import (
	"encoding/json"

	"arcdrift/drift"
)

// Receipt says what became of one record. It has the fields of the intake's
// receipt, which converts to it, and is that receipt's JSON form:
//
//	{"line":3,"id":"…","epoch":1,"seq":42,"duplicate":false}   taken, line 3 of an upload
//	{"id":"…","epoch":1,"seq":42,"duplicate":false}            taken alone
//	{"line":3,"field":"passed","reason":"…"}                   line 3 refused, of records or of questions
//	{"refused":{"field":"passed","reason":"…"}}                refused alone
//
// conflict, possible_repeat and questions stand only where there is one, id on
// a refusal only when it is known. field is null when the record as a whole is
// wrong; reason is a whole sentence.
type Receipt struct {
	Line                                int
	ID                                  string
	Epoch, Seq                          uint64
	Duplicate, Conflict, PossibleRepeat bool
	Refused                             *drift.Problem
	Questions                           []string
}

// refusal is the JSON form of a problem.
type refusal struct {
	Line   int     `json:"line,omitempty"`
	ID     string  `json:"id,omitempty"`
	Field  *string `json:"field"`
	Reason string  `json:"reason"`
}

func refusalOf(p *drift.Problem) refusal {
	out := refusal{Reason: p.Error()}
	if p.Field != "" {
		out.Field = &p.Field
	}
	return out
}

// MarshalJSON writes the forms above.
func (r Receipt) MarshalJSON() ([]byte, error) {
	if r.Refused != nil {
		out := refusalOf(r.Refused)
		if r.Line > 0 {
			out.Line, out.ID = r.Line, r.ID
			return json.Marshal(out)
		}
		return json.Marshal(struct {
			ID      string  `json:"id,omitempty"`
			Refused refusal `json:"refused"`
		}{r.ID, out})
	}
	return json.Marshal(struct {
		Line           int      `json:"line,omitempty"`
		ID             string   `json:"id"`
		Epoch          uint64   `json:"epoch"`
		Seq            uint64   `json:"seq"`
		Duplicate      bool     `json:"duplicate"`
		Conflict       bool     `json:"conflict,omitempty"`
		PossibleRepeat bool     `json:"possible_repeat,omitempty"`
		Questions      []string `json:"questions,omitempty"`
	}{r.Line, r.ID, r.Epoch, r.Seq, r.Duplicate, r.Conflict, r.PossibleRepeat, r.Questions})
}
