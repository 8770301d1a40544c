package wire

import (
	"bytes"
	"encoding/json"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"arcdrift/drift"
)

// maxReason is the length in bytes of the longest text of a refusal.
const maxReason = 4 << 10

// Refusal is a refused offer as an export holds it and as one agent tells
// another of it. It has the fields of the intake's refusal, which converts to
// it. Raw is the beginning of the Size bytes that came.
type Refusal struct {
	Machine    string
	Via        string
	Line       int
	Problem    drift.Problem
	Raw        []byte
	Size       int
	Time, Last time.Time
	Times      int
	Forwarded  bool
}

// refusedLine is the JSON form: what came stands in raw if it is plain text, else in
// raw_base64 (RFC 4648).
type refusedLine struct {
	Type    string    `json:"type"`
	Machine string    `json:"machine"`
	Via     string    `json:"via"`
	Line    int       `json:"line,omitempty"`
	Field   string    `json:"field"`
	Value   string    `json:"value"`
	Reason  string    `json:"reason"`
	Text    *string   `json:"raw,omitempty"`
	Bytes   []byte    `json:"raw_base64,omitempty"`
	Size    int       `json:"size"`
	Time    time.Time `json:"time"`
	Last    time.Time `json:"last"`
	Times   int       `json:"times"`
}

// typeRefused is what such a line says it is. No record has this type: every
// door that does not expect refusals refuses it.
const typeRefused = "refused"

// AppendRefusal appends the refusal as one JSON object without a line end.
func AppendRefusal(b []byte, r *Refusal) []byte {
	out := refusedLine{
		Type: typeRefused, Machine: r.Machine, Via: r.Via, Line: r.Line,
		Field: r.Problem.Field, Value: r.Problem.Value, Reason: r.Problem.Reason,
		Bytes: r.Raw, Size: r.Size, Time: r.Time, Last: r.Last, Times: r.Times,
	}
	if plain(r.Raw) {
		text := string(r.Raw)
		out.Text, out.Bytes = &text, nil
	}
	var line bytes.Buffer
	enc := json.NewEncoder(&line)
	enc.SetEscapeHTML(false) // it would make six bytes of one, and the line too long to be read
	if err := enc.Encode(&out); err != nil {
		panic("wire: a refusal has no JSON form: " + err.Error()) // texts, numbers and times of this century
	}
	return append(b, bytes.TrimRight(line.Bytes(), "\n")...)
}

// plain says whether the bytes are text, which JSON gives back as it was.
func plain(raw []byte) bool {
	return utf8.Valid(raw) && !strings.ContainsFunc(string(raw), func(r rune) bool {
		return r < ' ' && r != '\n' && r != '\r' && r != '\t'
	})
}

// ReadRefusal reads one refusal; the error is a *drift.Problem.
func ReadRefusal(raw []byte) (Refusal, error) {
	var in refusedLine
	if err := json.Unmarshal(raw, &in); err != nil {
		return Refusal{}, &drift.Problem{Reason: "is no refusal: " + err.Error()}
	}
	r := Refusal{
		Machine: in.Machine, Via: in.Via, Line: in.Line,
		Problem: drift.Problem{Field: in.Field, Value: in.Value, Reason: in.Reason},
		Raw:     in.Bytes, Size: in.Size, Time: in.Time, Last: in.Last, Times: in.Times,
	}
	if in.Text != nil {
		r.Raw = []byte(*in.Text)
	}
	for _, text := range []string{r.Via, r.Problem.Field, r.Problem.Value, r.Problem.Reason} {
		if len(text) > maxReason {
			return Refusal{}, &drift.Problem{Reason: "is a refusal with a text that is too long"}
		}
	}
	switch {
	case in.Type != typeRefused:
		return Refusal{}, &drift.Problem{Field: "type", Value: in.Type, Reason: "must be " + typeRefused}
	case r.Machine != "" && !drift.ValidMachine(r.Machine):
		return Refusal{}, &drift.Problem{Field: "machine", Value: r.Machine, Reason: "is no name of a machine"}
	case r.Problem.Reason == "" || r.Times < 1 || r.Size < len(r.Raw) || r.Line < 0 || r.Time.IsZero() || r.Last.IsZero():
		return Refusal{}, &drift.Problem{Reason: "is a refusal without its reason, times or bytes"}
	}
	return r, nil
}

// AppendThinned appends what an export says of the arc counts that it leaves out,
// as one JSON object without a line end.
func AppendThinned(b []byte, n uint64) []byte {
	return append(strconv.AppendUint(append(b, thinnedStart...), n, 10), '}')
}

const thinnedStart = `{"type":"thinned","records":`

// thinnedLine reads such a line, 0 if it is none.
func thinnedLine(raw []byte) uint64 {
	text, ok := bytes.CutPrefix(raw, []byte(thinnedStart))
	if !ok {
		return 0
	}
	n, _ := strconv.ParseUint(strings.TrimSuffix(string(text), "}"), 10, 64) // what is no number is no such line
	return n
}

// refusalLine reads a line of an export that holds a refusal, nil if it holds
// none.
func refusalLine(raw []byte) *Refusal {
	if !bytes.HasPrefix(raw, []byte(`{"type":"`+typeRefused+`"`)) {
		return nil
	}
	r, err := ReadRefusal(raw)
	if err != nil {
		return nil
	}
	return &r
}
