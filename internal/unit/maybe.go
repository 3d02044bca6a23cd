package unit

import "encoding/json"

// Maybe is a value that may be unknown: not yet read, not offered by the
// instrument, or unreadable. An unknown is not a zero. The zero Maybe is
// unknown.
type Maybe[T any] struct {
	v  T
	ok bool
}

// Some returns a known value.
func Some[T any](v T) Maybe[T] { return Maybe[T]{v, true} }

// Get returns the value and whether it is known.
func (m Maybe[T]) Get() (T, bool) { return m.v, m.ok }

// Known reports whether there is a value.
func (m Maybe[T]) Known() bool { return m.ok }

// Or returns the value, or other when it is unknown.
func (m Maybe[T]) Or(other T) T {
	if m.ok {
		return m.v
	}
	return other
}

// IsZero reports an unknown value, so that omitzero leaves it out of JSON.
func (m Maybe[T]) IsZero() bool { return !m.ok }

// MarshalJSON writes the value, or null.
func (m Maybe[T]) MarshalJSON() ([]byte, error) {
	if !m.ok {
		return []byte("null"), nil
	}
	return json.Marshal(m.v)
}

// UnmarshalJSON reads a value; null is unknown.
func (m *Maybe[T]) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*m = Maybe[T]{}
		return nil
	}
	m.ok = true
	return json.Unmarshal(b, &m.v)
}
