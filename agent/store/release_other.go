//go:build !linux

package store

// releasing does nothing where only the system knows when to.
func (s *Store) releasing() (stop func()) { return func() {} }
