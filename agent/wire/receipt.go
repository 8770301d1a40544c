package wire

import (
	"encoding/json"

	"arcdrift/drift"
)

// Receipt says what became of one record. It has the fields of the intake's
// receipt, and the two convert to each other. Its JSON forms are
//
//	{"line":3,"id":"…","epoch":1,"seq":42,"duplicate":false}   taken, line 3 of an upload
//	{"id":"…","epoch":1,"seq":42,"duplicate":false}            taken alone
//	{"line":3,"field":"passed","reason":"…"}                   line 3 refused, of records or of questions
//	{"refused":{"field":"passed","reason":"…"}}                refused alone
//
// conflict, possible_repeat and questions are there only if they say something, id on
// a refusal only if it is known. field is null when the record as a whole is wrong;
// reason is a whole sentence, which names field and value.
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

// UnmarshalJSON reads the forms above. Of a refusal it keeps the sentence, as the
// reason of a problem that names no field.
func (r *Receipt) UnmarshalJSON(b []byte) error {
	var in struct {
		Line           int      `json:"line"`
		ID             string   `json:"id"`
		Epoch          uint64   `json:"epoch"`
		Seq            uint64   `json:"seq"`
		Duplicate      bool     `json:"duplicate"`
		Conflict       bool     `json:"conflict"`
		PossibleRepeat bool     `json:"possible_repeat"`
		Questions      []string `json:"questions"`
		Reason         string   `json:"reason"`
		Refused        *refusal `json:"refused"`
	}
	if err := json.Unmarshal(b, &in); err != nil {
		return err
	}
	*r = Receipt{Line: in.Line, ID: in.ID, Epoch: in.Epoch, Seq: in.Seq, Duplicate: in.Duplicate,
		Conflict: in.Conflict, PossibleRepeat: in.PossibleRepeat, Questions: in.Questions}
	if in.Refused != nil {
		in.Reason = in.Refused.Reason
	}
	if in.Reason != "" {
		r.Refused = &drift.Problem{Reason: in.Reason}
	}
	return nil
}
