package wire

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"

	"arcdrift/drift"
)

// The sentences for text that is not JSON, or not one record.

func tooLong() *drift.Problem {
	return &drift.Problem{Reason: fmt.Sprintf("the record is longer than %d bytes", MaxRecord)}
}

func notObject(raw []byte) string {
	const want = "a record must be one JSON object in braces { }"
	switch start := bytes.TrimSpace(raw); {
	case len(start) == 0:
		return "there is no record here: " + want
	case start[0] == '[':
		return want + ", not a list: send the objects one per line"
	default:
		return want + ", and this does not begin with a brace"
	}
}

// badName is the problem of an error in the place of a member's name; last is the member
// before it, which ended at the offset.
func badName(raw []byte, last string, from int64, err error) *drift.Problem {
	var s *jsontext.SyntacticError
	if errors.As(err, &s) && errors.Is(err, jsontext.ErrDuplicateName) {
		return &drift.Problem{Field: label(s.JSONPointer.LastToken()), Reason: "is given twice"}
	}
	rest := bytes.TrimLeft(raw[from:], " \t\r\n")
	next, comma := bytes.CutPrefix(rest, []byte(","))
	next = bytes.TrimLeft(next, " \t\r\n")
	f, ok := recordFields[last]
	numeric := ok && (f.Kind == drift.Number || f.Kind == drift.Integer || f.Kind == drift.Days)
	switch word := bareWord(next); {
	case word == "":
	case numeric && !comma: // 012, 0x10, 1_000: JSON's number ended before
		return &drift.Problem{Field: last, Reason: "must be " + f.Kind.String()}
	case numeric && word[0] >= '0' && word[0] <= '9':
		return &drift.Problem{Field: last, Reason: "must have a decimal point, not a comma"}
	case comma || last == "":
		return &drift.Problem{Field: label(word), Reason: "must be in double quotes, like every name in JSON"}
	}
	return notJSON(raw, err)
}

// badValue is the problem of an error in the value of the named member, which begins after
// the offset.
func badValue(raw []byte, name string, from int64, err error) *drift.Problem {
	var s *jsontext.SyntacticError
	if !errors.As(err, &s) || errors.Is(err, io.ErrUnexpectedEOF) {
		return notJSON(raw, err)
	}
	if errors.Is(err, jsontext.ErrDuplicateName) {
		return &drift.Problem{Field: label(name), Reason: fmt.Sprintf("holds %.60q twice", s.JSONPointer.LastToken())}
	}
	v, colon := bytes.CutPrefix(bytes.TrimLeft(raw[from:], " \t\r\n"), []byte(":"))
	if !colon {
		return notJSON(raw, err)
	}
	v = bytes.TrimLeft(v, " \t\r\n")
	at := raw[min(int(s.ByteOffset), len(raw)):]
	f, ok := recordFields[name]
	if r, size := utf8.DecodeRune(at); r == utf8.RuneError && size == 1 {
		return &drift.Problem{Field: label(name), Reason: "must be UTF-8 text"}
	}
	switch {
	case len(v) > 0 && v[0] == '"' && ok:
		return &drift.Problem{Field: name, Reason: fmt.Sprintf("is not text that JSON can hold: %v", s.Err)}
	case ok && bareWord(v) != "" && f.Kind == drift.Text:
		return &drift.Problem{Field: name, Value: bareWord(v), Reason: "must be text in double quotes"}
	case ok && bareWord(v) != "":
		return wrongKind(f, bareWord(v))
	}
	return notJSON(raw, err)
}

// notJSON is the problem of text that is not JSON, with the place.
func notJSON(raw []byte, err error) *drift.Problem {
	var s *jsontext.SyntacticError
	if errors.Is(err, io.ErrUnexpectedEOF) || !errors.As(err, &s) {
		return &drift.Problem{Reason: "the record ends in the middle: it was cut short"}
	}
	at := raw[min(int(s.ByteOffset), len(raw)):]
	return &drift.Problem{Reason: fmt.Sprintf("the record is not JSON from byte %d on, at %.20q: %v", s.ByteOffset+1, at, s.Err)}
}

// label is a name as a problem shows it; the name may be any text.
func label(name string) string { return drift.UnknownField(name).Field }

// bareWord is the text up to the next punctuation of JSON: probably a text without quotes.
func bareWord(b []byte) string {
	end := bytes.IndexAny(b, " \t\r\n,:{}[]\"")
	if end < 0 {
		end = len(b)
	}
	return strings.ToValidUTF8(string(b[:end]), "")
}
