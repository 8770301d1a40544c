package drift

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Kind is the kind of value a field holds.
type Kind int

// The kinds. Extra (an object) and a correction's fields are the two that are
// no plain values and stand outside the table.
const (
	Text    Kind = iota // *string
	Number              // *Opt[float64]
	Integer             // *Opt[int64]
	Flag                // *Opt[bool]
	Moment              // *time.Time
	Days                // *Opt[int64]; false is 0 and true is 1, which read back so
)

// String names the kind as a person would.
func (k Kind) String() string {
	return [...]string{"text", "a number", "a whole number", "true or false", "a time", "true, false or a whole number of days"}[k]
}

// Field is one row of the field table: the one place that says what a field is
// called in every form of a record, in which types it occurs and which values are valid.
type Field struct {
	Name string
	// Means says in a clause what it is; names of fields are between backquotes.
	Means string
	Kind  Kind
	// In lists the types it occurs in; nil means all.
	In []Type
	// Unit of a number, in words for people; empty for a bare count.
	Unit string
	// Min and Max bound a number or integer; OpenMin excludes Min itself.
	Min, Max float64
	OpenMin  bool
	// Words are the only values of a closed vocabulary; nil when free.
	Words []string
	// Person: it names somebody. A store keeps a pseudonym in its place, and what
	// makes records the same does not depend on it.
	Person bool
	ref    func(*Record) any
}

// MaxText is the length, in bytes, of the longest text a field may hold.
const MaxText = 64

// reasonText is the longest reason of a correction: a sentence, not a label.
const reasonText = 500

// Applies says whether the field occurs in records of type t.
func (f *Field) Applies(t Type) bool { return f.In == nil || slices.Contains(f.In, t) }

// Value returns what the record holds: string, float64, int64, bool or
// time.Time, of Days a bool where that says it, and false when it is absent or the field is not of this type.
func (f *Field) Value(r *Record) (any, bool) {
	if !f.Applies(r.Type) {
		return nil, false
	}
	switch p := f.ref(r).(type) {
	case *string:
		return *p, *p != ""
	case *Opt[float64]:
		return optAny(*p)
	case *Opt[int64]:
		if n, ok := p.Get(); ok && f.Kind == Days && n <= 1 {
			return n == 1, true
		}
		return optAny(*p)
	case *Opt[bool]:
		return optAny(*p)
	case *time.Time:
		return *p, !p.IsZero()
	default:
		panic(fmt.Sprintf("drift: field %s refers to a %T", f.Name, p))
	}
}

func optAny[T any](o Opt[T]) (any, bool) {
	v, ok := o.Get()
	return v, ok
}

// Set stores v, which is of the Go type of the field's kind, or nil to make the
// field unknown. It returns a *Problem if the value is of another kind, out of
// bounds, or if the field does not stand in records of this type.
func (f *Field) Set(r *Record, v any) error {
	if !f.Applies(r.Type) {
		return &Problem{Field: f.Name, Value: fmt.Sprint(v), Reason: fmt.Sprintf("does not belong in a %s record", r.Type)}
	}
	if b, ok := v.(bool); ok && f.Kind == Days {
		v = daysOf(b)
	}
	if v != nil {
		if err := f.check(v); err != nil {
			return err
		}
	}
	switch p := f.ref(r).(type) {
	case *string:
		*p, _ = v.(string)
	case *Opt[float64]:
		*p = anyOpt[float64](v)
	case *Opt[int64]:
		*p = anyOpt[int64](v)
	case *Opt[bool]:
		*p = anyOpt[bool](v)
	case *time.Time:
		*p, _ = v.(time.Time)
	}
	return nil
}

func daysOf(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

func anyOpt[T any](v any) Opt[T] {
	if t, ok := v.(T); ok {
		return Some(t)
	}
	return Opt[T]{}
}

// FieldNamed returns the row of that name.
func FieldNamed(name string) (*Field, bool) {
	for i := range fields {
		if fields[i].Name == name {
			return &fields[i], true
		}
	}
	return nil, false
}

// FieldsOf lists the rows that stand in records of type t, in table order,
// which is also the order of the canonical form and of columns.
func FieldsOf(t Type) []*Field { return slices.Clone(fieldsOf[t]) }

// AllFields lists every row in table order.
func AllFields() []*Field {
	out := make([]*Field, len(fields))
	for i := range fields {
		out[i] = &fields[i]
	}
	return out
}

// Nearest returns the known field name closest to a misspelt one, or "" when
// none is close: what the writer most likely meant.
func Nearest(name string) string {
	names := []string{"extra", "fields"}
	for i := range fields {
		names = append(names, fields[i].Name)
	}
	return NearestOf(name, names)
}

// NearestOf is Nearest among other names; of equally close ones the first. A
// name longer than any text is near none: comparing it would be work for nothing.
func NearestOf(name string, names []string) string {
	if len(name) > MaxText {
		return ""
	}
	best, distance := "", 1+len(name)/2
	for _, n := range names {
		if d := editDistance(strings.ToLower(name), n); d < distance {
			best, distance = n, d
		}
	}
	return best
}

// editDistance is the Levenshtein distance (Levenshtein 1966) in bytes.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			above := row[j+1]
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			row[j+1] = min(cost, above+1, row[j]+1)
			diagonal = above
		}
	}
	return row[len(b)]
}
