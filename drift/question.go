package drift

import (
	"fmt"
	"maps"
	"time"
)

// Question is something that the records leave open and a person may know. It
// refuses nothing and changes no record: the answer is a record too.
type Question struct {
	Kind    QuestionKind `json:"kind"`
	Machine string       `json:"machine"`
	// Records are the ids it is about.
	Records []string `json:"records"`
	// At is when what it is about happened.
	At time.Time `json:"at"`
	// Text asks, in one or two sentences, and says what is done meanwhile.
	Text string `json:"text"`
	// Replies are answers that can be given by one tap.
	Replies []Reply `json:"replies"`
}

// QuestionKind says what a question is about.
type QuestionKind string

// The kinds of question, those that change most first.
const (
	AskDouble      QuestionKind = "double"       // one session reported twice
	AskService     QuestionKind = "same-service" // one service reported twice
	AskClock       QuestionKind = "clock"        // a time that cannot be right
	AskCounter     QuestionKind = "arc-count"    // a counter that rose too far
	AskPair        QuestionKind = "pair"         // pairs moved between machines
	AskName        QuestionKind = "name"         // names that look like one machine
	AskAltitude    QuestionKind = "altitude"     // feet?
	AskTemperature QuestionKind = "temperature"  // Fahrenheit?
	AskHumidity    QuestionKind = "humidity"     // a fraction?
)

// QuestionKinds lists the kinds in that order.
func QuestionKinds() []QuestionKind {
	return []QuestionKind{AskDouble, AskService, AskClock, AskCounter, AskPair, AskName, AskAltitude, AskTemperature, AskHumidity}
}

// Reply is an answer as records: each of Records is corrected by the change, with
// Say for its reason; or the machine is renamed.
type Reply struct {
	Say     string   `json:"say"`
	Records []string `json:"records"`
	// Field and Value are the change. Value is written as in a form; "" takes the
	// value away.
	Field string `json:"field"`
	Value string `json:"value"`
}

// AskedFor is for how long after what it is about a question is asked.
const AskedFor = 30 * 24 * time.Hour

// AppendChange appends the change of one field as a JSON object, its value written
// as in a form; "" makes it unknown.
func AppendChange(b []byte, field, value string) []byte {
	b = appendName(append(b, '{'), field)
	switch f, _ := FieldNamed(field); {
	case value == "":
		b = append(b, "null"...)
	case f != nil && (f.Kind == Text || f.Kind == Moment):
		b = appendString(b, value)
	default:
		b = append(b, value...)
	}
	return append(b, '}')
}

// confirm answers that the records are right as they are.
func confirm(say string, records ...string) Reply {
	return Reply{Say: say, Records: records, Field: "counts", Value: "true"}
}

// Questions are the open ones of a machine: of each kind the latest, and how many
// there are. The zero value is empty.
type Questions struct {
	Latest map[QuestionKind]Question
	Count  map[QuestionKind]int
}

// Ask adds a question.
func (q *Questions) Ask(one Question) {
	if q.Latest == nil {
		q.Latest, q.Count = map[QuestionKind]Question{}, map[QuestionKind]int{}
	}
	if before, ok := q.Latest[one.Kind]; !ok || !one.At.Before(before.At) {
		q.Latest[one.Kind] = one
	}
	q.Count[one.Kind]++
}

// Open lists the questions in the order of their kinds.
func (q *Questions) Open() []Question {
	var out []Question
	for _, kind := range QuestionKinds() {
		one, ok := q.Latest[kind]
		if n := q.Count[kind]; n > 1 {
			one.Text += fmt.Sprintf(" There are %d such questions.", n)
		}
		if ok {
			out = append(out, one)
		}
	}
	return out
}

// Clone copies the questions so that the copy may take more.
func (q *Questions) Clone() Questions {
	return Questions{Latest: maps.Clone(q.Latest), Count: maps.Clone(q.Count)}
}
