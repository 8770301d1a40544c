package store

import (
	"bytes"
	"errors"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// keptBucket holds what was worked out from the records and would take long to
// work out again: opaque bytes under names, each with a checksum. All of it may
// be lost. A file gets the bucket when something is first kept.
var keptBucket = []byte("kept")

// Keep keeps the values under their names, in one transaction. Its errors are
// those of Append. For what may be lost the ballast is not thrown off.
func (s *Store) PutCached(values map[string][]byte) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	if err := s.laden(); err != nil {
		return err
	}
	return s.commit(func(tx *bbolt.Tx) error {
		b, err := tx.CreateBucketIfNotExists(keptBucket)
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

// Kept returns what is kept under a name; nil if that is nothing, or spoilt.
func (s *Store) Cached(name string) ([]byte, error) {
	var out []byte
	err := s.view(func(tx *bbolt.Tx) error {
		if b := tx.Bucket(keptBucket); b != nil {
			key := headKey(name)
			value, _ := unseal(key, b.Get(key))
			out = bytes.Clone(value)
			s.spend(tx, onePage+len(out))
		}
		return nil
	})
	return out, err
}

// After returns a machine's history from after a link of its chain, or with nil
// all of it, as [Store.History] does, and the link at its end: epoch, seq and
// chain, by which all before it is proved. That is nil when the machine has no
// entries, or none with that link.
func (s *Store) After(machine string, link []byte) (entries []drift.Entry, last []byte, err error) {
	var spoilt []error
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
				spoilt = append(spoilt, err)
			}
			entries = append(entries, more...)
		}
		if end.key != nil {
			last = linkOf(end.key, end.value) // a machine's last entry is always whole
		}
		s.spend(tx, onePage)
		peopleOf(tx).show(entries)
		return nil
	})
	return entries, last, errors.Join(append(spoilt, err)...)
}

// linkOf is the link of an entry, nil if it cannot be read.
func linkOf(key, value []byte) []byte {
	e, err := parse(key, value)
	if err != nil {
		return nil
	}
	return append(bytes.Clone(key[len(key)-16:]), e.chain...)
}
