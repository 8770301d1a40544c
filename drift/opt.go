package drift

import "encoding/json"

// Opt is a value that may be unknown. Nothing in this trade may confuse "not
// measured" with zero: a correction of 0 is a statement, an absent one is not.
// The zero Opt is unknown.
type Opt[T any] struct {
	value T
	known bool
}

// Some is a known value.
func Some[T any](v T) Opt[T] { return Opt[T]{value: v, known: true} }

// Get returns the value and whether it is known.
func (o Opt[T]) Get() (T, bool) { return o.value, o.known }

// Known says whether there is a value.
func (o Opt[T]) Known() bool { return o.known }

// Or returns the value, or otherwise when it is unknown.
func (o Opt[T]) Or(otherwise T) T {
	if o.known {
		return o.value
	}
	return otherwise
}

// OrElse returns o if it is known and otherwise the other.
func (o Opt[T]) OrElse(other Opt[T]) Opt[T] {
	if o.known {
		return o
	}
	return other
}

// MarshalJSON writes null for an unknown value.
func (o Opt[T]) MarshalJSON() ([]byte, error) {
	if !o.known {
		return []byte("null"), nil
	}
	return json.Marshal(o.value)
}

// UnmarshalJSON takes null for an unknown value.
func (o *Opt[T]) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*o = Opt[T]{}
		return nil
	}
	o.known = true
	return json.Unmarshal(b, &o.value)
}
