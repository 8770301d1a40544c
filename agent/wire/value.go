package wire

import (
	"math"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift"
)

// notation says how a number may be written.
type notation int

const (
	// pointOnly is for JSON and for rows with commas.
	pointOnly notation = iota
	// pointOrComma is for query values, which programs and people write.
	pointOrComma
	// withComma is for rows with semicolons: spreadsheets that write those group digits
	// by dots, so 1.240 is 1240.
	withComma
	// typed is for forms: only the person who typed 1.240 knows whether it is 1240 or
	// 1.24.
	typed
)

// parse reads the text of a cell or form value as a value of the field's kind. Empty text
// is absent: nil.
func parse(f *drift.Field, s string, how notation) (any, error) {
	if f.Kind != drift.Text {
		s = strings.TrimSpace(s)
	}
	if s == "" {
		return nil, nil
	}
	switch f.Kind {
	case drift.Text:
		return s, nil
	case drift.Moment:
		return moment(f, s)
	case drift.Flag, drift.Days:
		if strings.EqualFold(s, "true") || strings.EqualFold(s, "false") {
			return strings.EqualFold(s, "true"), nil
		}
		if f.Kind == drift.Flag {
			return nil, wrongKind(f, s)
		}
	}
	written := s
	if how == withComma || how == typed {
		s = groups(f, s)
	}
	if how == typed && s != written && ambiguous(f, written) {
		point := strings.Replace(written, ".", ",", 1)
		return nil, &drift.Problem{Field: f.Name, Value: written,
			Reason: "can be read as " + s + " or as " + point + "; write it as one of these"}
	}
	if strings.Count(s, ",") == 1 && !strings.Contains(s, ".") {
		s = strings.Replace(s, ",", ".", 1)
		if _, err := number(f, s); err == nil && how == pointOnly {
			return nil, &drift.Problem{Field: f.Name, Value: written,
				Reason: "must have a decimal point; a decimal comma is read only in forms and in rows with semicolons"}
		}
	}
	v, err := number(f, s)
	if p, ok := err.(*drift.Problem); ok {
		p.Value = written
	}
	return v, err
}

// groups removes the dots of a number whose digits they group by thousands, as people do
// who write a decimal comma: 1.240 is 1240. If that is too large for the field, the dot is
// a decimal point.
func groups(f *drift.Field, s string) string {
	whole, rest, _ := strings.Cut(s, ",")
	digits := strings.TrimLeft(whole, "+-")
	parts := strings.Split(digits, ".")
	if len(parts) < 2 || len(parts[0]) < 1 || len(parts[0]) > 3 || parts[0][0] == '0' {
		return s
	}
	for _, part := range parts[1:] {
		if len(part) != 3 || strings.Trim(part, "0123456789") != "" {
			return s
		}
	}
	joined := strings.ReplaceAll(whole, ".", "")
	if rest != "" {
		joined += "," + rest
	}
	x, err := strconv.ParseFloat(strings.ReplaceAll(joined, ",", "."), 64)
	if err != nil || len(parts) == 2 && rest == "" && !f.Holds(x) {
		return s
	}
	return joined
}

// ambiguous says whether the field can also hold s with its one dot as a decimal point.
func ambiguous(f *drift.Field, s string) bool {
	x, err := strconv.ParseFloat(s, 64)
	return err == nil && f.Kind == drift.Number && f.Holds(x)
}

// number reads decimal digits as a number or whole number. A number too large for a float
// becomes infinite, which the bounds of the field refuse. A whole number may be written
// 12.0 or 1.2e1.
func number(f *drift.Field, s string) (any, error) {
	if f.Kind == drift.Integer || f.Kind == drift.Days {
		if n, err := strconv.ParseInt(s, 10, 64); err == nil {
			return n, nil
		}
	}
	if strings.Trim(s, "0123456789+-.eE") != "" {
		return nil, wrongKind(f, s) // hexadecimal, NaN and underscores are Go's notation
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil && !math.IsInf(x, 0) {
		return nil, wrongKind(f, s)
	}
	x += 0 // -0 is 0
	if f.Kind == drift.Number {
		return x, nil
	}
	switch {
	case x != math.Trunc(x):
		return nil, wrongKind(f, s)
	case math.Abs(x) > 1<<53:
		x = math.Copysign(1<<53, x) // beyond every bound
	}
	return int64(x), nil
}

func wrongKind(f *drift.Field, s string) *drift.Problem {
	return &drift.Problem{Field: f.Name, Value: s, Reason: "must be " + f.Kind.String()}
}

// moment reads an RFC 3339 time and keeps its offset. It refuses what Go accepts beyond the
// standard, and Go's zero time, which means absent.
func moment(f *drift.Field, s string) (any, error) {
	t, err := time.Parse(time.RFC3339, s)
	_, offset := t.Zone()
	if err != nil || s[len("2006-01-02T15")] != ':' || strings.Contains(s, ",") || max(offset, -offset) >= 24*60*60 || t.IsZero() {
		return nil, &drift.Problem{Field: f.Name, Value: s, Reason: "must be " + timeHint(s)}
	}
	if offset == 0 {
		return t.UTC(), nil
	}
	return t.In(time.FixedZone("", offset)), nil // never this computer's time zone
}

// timeHint says how to write the time that s seems to mean.
func timeHint(s string) string {
	const (
		whole = "2006-01-02T15:04:05.999999999"
		what  = "a date and time with its offset from UTC, like "
	)
	dotted := strings.Replace(strings.ToUpper(s), ",", ".", 1)
	for _, layout := range []string{
		"2006-01-02T15:04:05Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02T15:04:05Z0700",
		"2006-01-02 15:04:05Z0700", "2006-01-02 15:04:05 Z0700", "2006-01-02T15:04Z07:00", "2006-01-02 15:04Z07:00",
	} {
		t, err := time.Parse(layout, dotted)
		if like := t.Format(whole + "Z07:00"); err == nil && !t.IsZero() && like != s {
			return what + like
		}
	}
	for _, layout := range []string{
		"2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02",
	} {
		if t, err := time.Parse(layout, dotted); err == nil && !t.IsZero() {
			return what + t.Format(whole) + "+01:00, or in UTC " + t.Format(whole) + "Z"
		}
	}
	if n, err := strconv.ParseInt(s, 10, 64); err == nil && n > 1e9 && n < 1e10 {
		return what + time.Unix(n, 0).UTC().Format(time.RFC3339)
	}
	return what + "2026-03-02T07:45:00+01:00"
}
