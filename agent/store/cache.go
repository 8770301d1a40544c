package store

import (
	"bytes"
	"errors"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// cacheBucket holds what was computed from the records and would take long to compute
// again: opaque bytes by name, each with a checksum. All of it may be lost. A file gets
// the bucket with the first value.
var cacheBucket = []byte("kept")

// PutCached stores the values under their names in one transaction. Its errors are
// those of Append. As they may be lost, the reserve is not released for them.
func (s *Store) PutCached(values map[string][]byte) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	if err := s.degradedErr(); err != nil {
		return err
	}
	return s.commit(func(tx *bbolt.Tx) error {
		b, err := tx.CreateBucketIfNotExists(cacheBucket)
		if err != nil {
			return err
		}
		for name, value := range values {
			key := headKey(name)
			err = errors.Join(err, b.Put(key, seal(key, bytes.Clone(value))))
		}
		return err
	})
}

// Cached returns the value of a name, nil if there is none or it is corrupt.
func (s *Store) Cached(name string) ([]byte, error) {
	var out []byte
	err := s.view(func(tx *bbolt.Tx) error {
		if b := tx.Bucket(cacheBucket); b != nil {
			key := headKey(name)
			value, _ := unseal(key, b.Get(key))
			out = bytes.Clone(value)
			s.spend(tx, onePage+len(out))
		}
		return nil
	})
	return out, err
}

// After returns a machine's entries after a link of its chain, or with a nil link all
// of them, as [Store.History] does. It also returns the link of the last entry: its
// epoch, seq and chain value, which stand for all entries up to it. Without entries, or
// for a link that the machine does not have, it returns nil for both.
func (s *Store) After(machine string, link []byte) (entries []drift.Entry, last []byte, err error) {
	var corrupt []error
	err = s.view(func(tx *bbolt.Tx) error {
		prefix := headKey(machine)
		var from []byte
		if link != nil {
			from = append(bytes.Clone(prefix), link[:min(16, len(link))]...)
			if is := linkOf(from, tx.Bucket(entriesBucket).Get(from)); is == nil || !bytes.Equal(is, link) {
				return nil
			}
			last = link
		}
		var end item
		for i := range walk(tx, prefix, from) {
			if bytes.Equal(i.key, from) {
				continue
			}
			end = i
			s.spend(tx, i.size())
			more, err := i.entries()
			if err != nil {
				corrupt = append(corrupt, err)
			}
			entries = append(entries, more...)
		}
		if end.key != nil {
			last = linkOf(end.key, end.value) // the last entry is never compacted
		}
		s.spend(tx, onePage)
		peopleOf(tx).Show(entries)
		return nil
	})
	return entries, last, errors.Join(append(corrupt, err)...)
}

// linkOf is the link of an entry, nil if it cannot be read.
func linkOf(key, value []byte) []byte {
	e, err := parse(key, value)
	if err != nil {
		return nil
	}
	return append(bytes.Clone(key[len(key)-16:]), e.chain...)
}
