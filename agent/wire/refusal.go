package wire

import (
	"encoding/json"
	"time"

	"arcdrift/drift"
)

// maxReason is the length in bytes of the longest text of a refusal.
const maxReason = 4 << 10

// Refusal is a refused offer as one agent tells another of it, one JSON object.
// It has the fields of the intake's refusal, which converts to it. Raw is the
// beginning of the Size bytes that came, in base64 (RFC 4648).
type Refusal struct {
	Machine   string        `json:"machine"`
	Via       string        `json:"via"`
	Line      int           `json:"line,omitempty"`
	Problem   drift.Problem `json:"problem"`
	Raw       []byte        `json:"raw"`
	Size      int           `json:"size"`
	Time      time.Time     `json:"time"`
	Last      time.Time     `json:"last"`
	Times     int           `json:"times"`
	Forwarded bool          `json:"-"`
}

// ReadRefusal reads one refusal; the error is a *drift.Problem.
func ReadRefusal(raw []byte) (Refusal, error) {
	var r Refusal
	if err := json.Unmarshal(raw, &r); err != nil {
		return Refusal{}, &drift.Problem{Reason: "is no refusal: " + err.Error()}
	}
	texts := []string{r.Via, r.Problem.Field, r.Problem.Value, r.Problem.Reason}
	for _, text := range texts {
		if len(text) > maxReason {
			return Refusal{}, &drift.Problem{Reason: "is a refusal with a text that is too long"}
		}
	}
	named := drift.Record{Type: drift.TypeUsage}
	machine, _ := drift.FieldNamed("machine")
	switch {
	case r.Machine != "" && machine.Set(&named, r.Machine) != nil:
		return Refusal{}, &drift.Problem{Field: "machine", Value: r.Machine, Reason: "is no name of a machine"}
	case r.Problem.Reason == "" || r.Times < 1 || r.Size < len(r.Raw) || r.Line < 0 || r.Time.IsZero() || r.Last.IsZero():
		return Refusal{}, &drift.Problem{Reason: "is a refusal without its reason, times or bytes"}
	}
	return r, nil
}
