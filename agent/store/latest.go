package store

import (
	"bytes"
	"errors"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// Latest returns the last n entries taken of a machine, in the order of taking:
// what a page shows of a long history without reading all of it.
func (s *Store) Latest(machine string, n int) ([]drift.Entry, error) {
	var out []drift.Entry
	var spoilt []error
	err := s.view(func(tx *bbolt.Tx) error {
		prefix := headKey(machine)
		c := tx.Bucket(entriesBucket).Cursor()
		last := c.Prev
		if later, _ := c.Seek(append([]byte(machine), 1)); later == nil {
			last = c.Last
		}
		for k, v := last(); len(out) < n && bytes.HasPrefix(k, prefix); k, v = c.Prev() {
			e, flags, err := decode(k, v)
			switch {
			case err != nil:
				spoilt = append(spoilt, err)
			case flags&flagConflict == 0:
				out = append(out, e)
			}
		}
		peopleOf(tx).show(out)
		return nil
	})
	slices.Reverse(out)
	return out, errors.Join(append(spoilt, err)...)
}
