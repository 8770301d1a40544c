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

// maxReason is the greatest length of a text of a refusal in bytes.
const maxReason = 4 << 10

// Refusal is a refused record as an export holds it and as one agent reports it to
// another. It has the fields of [drift.Refusal], and the two convert to each other. Raw is
// the beginning of the Size bytes that came.
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

// refusedLine is the JSON form: the bytes are in raw if they are plain text, otherwise in
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

// typeRefused is the type of such a line. No record has this type, so a source that does
// not expect refusals refuses it.
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
	enc.SetEscapeHTML(false) // it would write six bytes for one, and the line could become too long to read
	if err := enc.Encode(&out); err != nil {
		panic("wire: a refusal has no JSON form: " + err.Error()) // it has texts, numbers and times of this century only
	}
	return append(b, bytes.TrimRight(line.Bytes(), "\n")...)
}

// plain says whether the bytes are text that JSON returns unchanged.
func plain(raw []byte) bool {
	return utf8.Valid(raw) && !strings.ContainsFunc(string(raw), func(r rune) bool {
		return r < ' ' && r != '\n' && r != '\r' && r != '\t'
	})
}

// ReadRefusal reads one refusal; the error is a *drift.Problem.
func ReadRefusal(raw []byte) (Refusal, error) {
	var in refusedLine
	if err := json.Unmarshal(raw, &in); err != nil {
		return Refusal{}, &drift.Problem{Reason: "is not a refusal: " + err.Error()}
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
		return Refusal{}, &drift.Problem{Field: "machine", Value: r.Machine, Reason: "is not a valid name of a machine"}
	case r.Problem.Reason == "" || r.Times < 1 || r.Size < len(r.Raw) || r.Line < 0 || r.Time.IsZero() || r.Last.IsZero():
		return Refusal{}, &drift.Problem{Reason: "is a refusal without its reason, times or bytes"}
	}
	return r, nil
}

// AppendCompacted appends how many arc counts an export leaves out, as they were
// compacted: one JSON object without a line end.
func AppendCompacted(b []byte, n uint64) []byte {
	return append(strconv.AppendUint(append(b, compactedStart...), n, 10), '}')
}

const compactedStart = `{"type":"thinned","records":`

// compactedLine reads the number from such a line; 0 if it is another line.
func compactedLine(raw []byte) uint64 {
	text, ok := bytes.CutPrefix(raw, []byte(compactedStart))
	if !ok {
		return 0
	}
	n, _ := strconv.ParseUint(strings.TrimSuffix(string(text), "}"), 10, 64) // 0 if it is not a number
	return n
}

// refusalLine reads the refusal from a line of an export, nil if it is another line.
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
