package store

import (
	"bytes"
	"errors"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// Latest returns the last n whole entries of a machine in order of taking, without
// conflicts: what a page shows of a long history. Errors are as of [Store.History].
func (s *Store) Latest(machine string, n int) ([]drift.Entry, error) {
	var out []drift.Entry
	var corrupt []error
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
				corrupt = append(corrupt, err)
			case flags&flagConflict == 0:
				out = append(out, e)
			}
		}
		peopleOf(tx).Show(out)
		return nil
	})
	slices.Reverse(out)
	return out, errors.Join(append(corrupt, err)...)
}
