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

// Intake is the single way in. It returns when everything offered is durable; on
// an error nothing may be acknowledged.
type Intake interface {
	Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error)
}

// Adviser answers a crew that has moved.
type Adviser interface {
	Move(advise.Move) (advise.MoveAnswer, error)
}

// Handler is what both forms of the door work for.
type Handler struct {
	Intake  Intake
	Adviser Adviser
	Now     func() time.Time
}

// Message is one MQTT message, in or out.
type Message struct {
	Topic   string
	Payload []byte
	Retain  bool
	// By is who sent it: set of what came in.
	By   intake.Principal
	sent delivery
}

// About is an outgoing message about a machine.
func About(machine, what string, payload []byte, retain bool) Message {
	return Message{Topic: address{machine, what}.topic(), Payload: payload, Retain: retain}
}

// take keeps the records among the messages, then answers the questions, and
// returns what to send back. A record that nothing tells from a repeat is known as
// one by its delivery. On an error nothing may be acknowledged.
func (d *Handler) take(ctx context.Context, in []Message, known *redeliveries) ([]Message, error) {
	var offers []intake.Submission
	var of []*Message // the message of each offer
	var from, asked []address
	var questions [][]byte
	for i := range in {
		m := &in[i]
		at, ours := parse(m.Topic)
		switch _, record := at.record(); {
		case ours && record:
			o := offer(at, m.Payload)
			o.By = m.By
			if o.Record.ID == "" {
				o.Record.ID = known.id(m)
			}
			offers, of = append(offers, o), append(of, m)
			from = append(from, at)
		case ours && at.what == ask:
			asked = append(asked, at)
			questions = append(questions, m.Payload)
		default:
			offers, of = append(offers, intake.Submission{Raw: m.Payload, Via: "mqtt", Machine: plausible(speaksFor(m.Topic)), Problem: misdirected(m.Topic)}), append(of, m)
			from = append(from, address{machine: speaksFor(m.Topic)})
		}
	}
	var out []Message
	if len(offers) > 0 {
		receipts, err := d.Intake.Take(ctx, offers)
		if err != nil {
			return nil, err
		}
		for i, r := range receipts {
			if r.PossibleRepeat {
				known.kept(of[i], r.ID)
			}
			if from[i].machine == "" {
				continue // nobody listens for it
			}
			out = append(out, About(from[i].machine, Receipt, encode(wire.Receipt(r)), false))
		}
	}
	for i, q := range questions {
		out = append(out, About(asked[i].machine, answer, d.answer(asked[i], q), false))
	}
	return out, nil
}

// offer reads a message as the record its topic promises.
func offer(at address, payload []byte) intake.Submission {
	o := intake.Submission{Raw: payload, Via: "mqtt", Machine: at.machine}
	want, _ := at.record()
	record, err := wire.RecordSaid(want, at.machine, payload)
	switch {
	case err != nil:
	case record.Type != want:
		err = &drift.Problem{Field: "type", Value: string(record.Type), Reason: fmt.Sprintf("came on the topic of a %s record", want)}
	}
	o.Record = record
	o.Problem = drift.ProblemOf(err)
	return o
}

// plausible is the name if it could be a machine's, else "".
func plausible(machine string) string {
	f, _ := drift.FieldNamed("machine")
	if machine == "" || f.Set(&drift.Record{Type: drift.TypeUsage}, machine) != nil {
		return ""
	}
	return machine
}

// answer is the answer to a question, or why there is none, as JSON.
func (d *Handler) answer(at address, question []byte) []byte {
	a, err := d.move(at, question)
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

// move answers the question, which is the topic's machine's.
func (d *Handler) move(at address, question []byte) (advise.MoveAnswer, error) {
	q, err := wire.MoveSaid(at.machine, question)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	if q.Machine != at.machine {
		return advise.MoveAnswer{}, &drift.Problem{Field: "machine", Value: q.Machine, Reason: "must be the machine of the topic, " + at.machine}
	}
	if q.AsOf.IsZero() {
		q.AsOf = d.Now()
	}
	return d.Adviser.Move(q)
}

// noAnswer is the JSON form of a question that was refused.
type noAnswer struct {
	AskID   string  `json:"ask_id,omitempty"`
	Machine string  `json:"machine"`
	Refused refusal `json:"refused"`
}

type refusal struct {
	Field  string `json:"field"`
	Reason string `json:"reason"`
}

// encode writes what always has a JSON form: text, receipts and refusals.
func encode(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic("mqtt: no JSON form: " + err.Error())
	}
	return b
}
