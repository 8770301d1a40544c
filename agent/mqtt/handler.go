package mqtt

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Intake takes records. It returns when all are durable; on an error nothing may be
// acknowledged.
type Intake interface {
	Take(ctx context.Context, submissions []intake.Submission) ([]intake.Receipt, error)
}

// Adviser answers a crew that has moved.
type Adviser interface {
	Move(advise.Move) (advise.MoveAnswer, error)
}

// Handler handles the messages of both forms.
type Handler struct {
	Intake  Intake
	Adviser Adviser
	// Air takes what a sensor says of the air at a machine. It is no record.
	Air func(machine string, r drift.AirReading)
	Now func() time.Time
}

// Message is one MQTT message, in or out.
type Message struct {
	Topic   string
	Payload []byte
	Retain  bool
	// By is the sender of an incoming message.
	By   intake.Principal
	sent delivery
}

// About is an outgoing message about a machine.
func About(machine, what string, payload []byte, retain bool) Message {
	return Message{Topic: address{machine, what}.topic(), Payload: payload, Retain: retain}
}

// take stores the records among the messages, then answers the questions, and returns
// what to send back. A record that has nothing to distinguish it from a repeat is
// recognised by its delivery. On an error nothing may be acknowledged.
func (h *Handler) take(ctx context.Context, in []Message, known *redeliveries) ([]Message, error) {
	var records, questions []*Message
	var submissions []intake.Submission
	for i := range in {
		m := &in[i]
		if at, ours := parse(m.Topic); ours && at.what == ask {
			questions = append(questions, m)
			continue
		}
		if at, ours := parse(m.Topic); ours && at.what == air && h.reading(at.machine, m) {
			continue
		}
		s := submission(m)
		if s.Record.ID == "" {
			s.Record.ID = known.id(m)
		}
		records, submissions = append(records, m), append(submissions, s)
	}
	var out []Message
	if len(submissions) > 0 {
		receipts, err := h.Intake.Take(ctx, submissions)
		if err != nil {
			return nil, err
		}
		for i, r := range receipts {
			m := records[i]
			if r.PossibleRepeat {
				known.kept(m, r.ID)
			}
			if machine := machineOf(m.Topic); machine != "" { // otherwise there is no topic for it
				out = append(out, About(machine, Receipt, encode(wire.Receipt(r)), false))
			}
		}
	}
	for _, m := range questions {
		at, _ := parse(m.Topic)
		out = append(out, About(at.machine, answer, h.answer(at, m.Payload), false))
	}
	return out, nil
}

// submission reads a message as the record that its topic promises. A message on an
// unknown topic is a problem.
func submission(m *Message) intake.Submission {
	s := intake.Submission{Raw: m.Payload, Via: "mqtt"}
	at, ours := parse(m.Topic)
	want, record := at.record()
	if ours && at.what == air {
		_, err := wire.AirFor(at.machine, m.Payload)
		s.Machine, s.By, s.Problem = at.machine, m.By, drift.ProblemOf(err)
		if !drift.ValidMachine(at.machine) {
			s.Machine, s.Problem = "", misdirected(m.Topic)
		}
		return s
	}
	if !ours || !record {
		if machine := machineOf(m.Topic); drift.ValidMachine(machine) {
			s.Machine = machine
		}
		s.Problem = misdirected(m.Topic)
		return s
	}
	s.Machine, s.By = at.machine, m.By
	r, err := wire.RecordFor(want, at.machine, m.Payload)
	if err == nil && r.Type != want {
		err = &drift.Problem{Field: "type", Value: string(r.Type), Reason: fmt.Sprintf("came on the topic of a %s record", want)}
	}
	s.Record, s.Problem = r, drift.ProblemOf(err)
	return s
}

// reading hands on what a sensor says, and reports whether it could be read: if not, it is
// refused as a record is. A retained message without a time is of nobody knows when.
func (h *Handler) reading(machine string, m *Message) bool {
	r, err := wire.AirFor(machine, m.Payload)
	if err != nil || !drift.ValidMachine(machine) {
		return false
	}
	if !m.Retain || !r.Time.IsZero() {
		h.Air(machine, r)
	}
	return true
}

// answer is the answer to a question as JSON, or why there is none.
func (h *Handler) answer(at address, question []byte) []byte {
	a, err := h.move(at, question)
	if err == nil {
		var b []byte
		if b, err = json.Marshal(a); err == nil {
			return b
		}
	}
	var given struct {
		AskID string `json:"ask_id"`
	}
	_ = json.Unmarshal(question, &given) // a question without a readable ask_id is answered without one
	p := drift.ProblemOf(err)
	return encode(noAnswer{given.AskID, at.machine, refusal{p.Field, p.Error()}})
}

// move answers the question, which must be about the topic's machine.
func (h *Handler) move(at address, question []byte) (advise.MoveAnswer, error) {
	q, err := wire.MoveFor(at.machine, question)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	if q.Machine != at.machine {
		return advise.MoveAnswer{}, &drift.Problem{Field: "machine", Value: q.Machine, Reason: "must be the machine of the topic, " + at.machine}
	}
	if q.AsOf.IsZero() {
		q.AsOf = h.Now()
	}
	return h.Adviser.Move(q)
}

// noAnswer is the JSON form of the answer to a question that was refused.
type noAnswer struct {
	AskID   string  `json:"ask_id,omitempty"`
	Machine string  `json:"machine"`
	Refused refusal `json:"refused"`
}

type refusal struct {
	Field  string `json:"field"`
	Reason string `json:"reason"`
}

// encode writes receipts and refusals, which always have a JSON form.
func encode(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic("mqtt: no JSON form: " + err.Error())
	}
	return b
}
