package wire

import (
	"io"
	"iter"
	"maps"
	"net/url"
	"slices"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// moveFields are the fields of a site-check question. Each is a field of a
// calibration and has its kind and bounds; three have a name of their own.
var moveFields = func() map[string]*drift.Field {
	out := map[string]*drift.Field{}
	for name, of := range map[string]string{
		"machine": "machine", "program": "program", "as_of": "time", "ask_id": "id",
		"temperature_c": "temperature_c", "humidity_pct": "humidity_pct", "altitude_m": "altitude_m",
		"pressure_hpa": "pressure_hpa", "machine_temperature_c": "machine_temperature_c", "machine_cold": "recleaved",
	} {
		f := *recordFields[of]
		f.Name = name
		out[name] = &f
	}
	return out
}()

// Move reads one site-check question from one JSON object, as strictly as a record.
// Without as_of its AsOf is zero, which means now. The error is a *drift.Problem.
func Move(raw []byte) (advise.Move, error) { return MoveFor("", raw) }

// MoveFor reads a question whose channel gives its machine, so that the question may leave
// it out.
func MoveFor(machine string, raw []byte) (advise.Move, error) {
	q := newQuestion()
	q.r.Machine = machine
	err := members(new(jsontext.Decoder), raw, func(name []byte, v jsontext.Value) error {
		f, err := moveField(string(name))
		if err != nil {
			return err
		}
		parsed, text, err := jsonValue(f, v)
		return q.set(value{f, parsed, text}, err)
	})
	return q.move(err)
}

// MoveLine is one site-check question of a batch, or why it is none.
type MoveLine struct {
	Number  int // counts lines from 1
	Move    advise.Move
	Problem *drift.Problem
	// Err ends the batch, and the other fields are not set: reading failed.
	Err error
}

// MoveLines reads one site-check question per line; blank lines are skipped.
func MoveLines(r io.Reader) iter.Seq[MoveLine] {
	return func(yield func(MoveLine) bool) {
		for l := range split(r) {
			out := MoveLine{Number: l.number, Err: l.err}
			switch {
			case l.cut:
				out.Problem = tooLong()
			case l.err == nil:
				var err error
				out.Move, err = Move(l.text)
				out.Problem = drift.ProblemOf(err)
			}
			if !yield(out) {
				return
			}
		}
	}
}

// MoveValues reads a site-check question that a person typed.
func MoveValues(v url.Values) (advise.Move, error) { return moveValues(v, typed) }

// MoveQuery reads a site-check question that a program sent as query values: a dot or a
// comma in a number is its decimal point.
func MoveQuery(v url.Values) (advise.Move, error) { return moveValues(v, pointOrComma) }

func moveValues(v url.Values, how notation) (advise.Move, error) {
	q := newQuestion()
	err := formValues(v, func(name, text string) error {
		f, err := moveField(name)
		if err != nil {
			return err
		}
		parsed, err := parse(f, text, how)
		return q.set(value{f, parsed, text}, err)
	})
	return q.move(err)
}

func moveField(name string) (*drift.Field, error) {
	if f, ok := moveFields[name]; ok {
		return f, nil
	}
	reason := "is not asked in a site check"
	if near := drift.NearestOf(name, slices.Sorted(maps.Keys(moveFields))); near != "" {
		reason = "is not asked in a site check: did you mean " + near + "?"
	}
	return nil, &drift.Problem{Field: label(name), Reason: reason}
}

// question is a move while it is read: its values are in the fields of a calibration.
type question struct{ r drift.Record }

func newQuestion() question {
	return question{drift.Record{Type: drift.TypeCalibration, Calibration: &drift.Calibration{}}}
}

func (q *question) set(v value, err error) error {
	if err != nil || v.v == nil {
		return err
	}
	return v.set(&q.r)
}

func (q *question) move(err error) (advise.Move, error) {
	switch {
	case err != nil:
		return advise.Move{}, err
	case q.r.Machine == "":
		return advise.Move{}, &drift.Problem{Field: "machine", Reason: "is missing: the name of the splicing machine is needed here"}
	}
	c := q.r.Calibration
	return advise.Move{
		Machine: q.r.Machine, Program: q.r.Program, AsOf: q.r.Time, AskID: q.r.ID,
		Temperature: c.Temperature, Humidity: c.Humidity, Altitude: c.Altitude, Pressure: c.Pressure,
		MachineTemperature: c.MachineTemperature, Cold: c.Recleaved,
	}, nil
}
