package store

import (
	"bytes"
	"crypto/sha256"
	"errors"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// keptBucket holds what was worked out from the records and would take long to
// work out again: opaque bytes under names, each with a checksum. All of it may
// be lost. A file gets the bucket when something is first kept.
var keptBucket = []byte("kept")

// Keep keeps the values under their names, in one transaction. Its errors are
// those of Append.
func (s *Store) Keep(values map[string][]byte) error {
	return s.alter(func(tx *bbolt.Tx) error {
		b, err := tx.CreateBucketIfNotExists(keptBucket)
		for name, value := range values {
			key := headKey(name)
			err = errors.Join(err, b.Put(key, seal(key, bytes.Clone(value))))
		}
		return err
	})
}

// Kept returns what is kept under a name; nil if that is nothing, or spoilt.
func (s *Store) Kept(name string) ([]byte, error) {
	var out []byte
	err := s.view(func(tx *bbolt.Tx) error {
		if b := tx.Bucket(keptBucket); b != nil {
			key := headKey(name)
			value, _ := unseal(key, b.Get(key))
			out = bytes.Clone(value)
		}
		return nil
	})
	return out, err
}

// linkLen is the length of a link: epoch, seq and chain of an entry.
const linkLen = 16 + sha256.Size

// After returns a machine's history from after a link of its chain, or with nil
// all of it, as [Store.History] does, and the link at its end: epoch, seq and
// chain, by which all before it is proved. That is nil when the machine has no
// entries, or none with that link.
func (s *Store) After(machine string, link []byte) (entries []drift.Entry, last []byte, err error) {
	var spoilt []error
	err = s.view(func(tx *bbolt.Tx) error {
		prefix := headKey(machine)
		c := tx.Bucket(entriesBucket).Cursor()
		k, v := c.Seek(prefix)
		if link != nil {
			if k, v = c.Seek(append(prefix, link[:min(16, len(link))]...)); !bytes.Equal(linkOf(k, v), link) {
				return nil
			}
			last = link
			k, v = c.Next()
		}
		end, endValue := []byte(nil), []byte(nil)
		for ; bytes.HasPrefix(k, prefix); k, v = c.Next() {
			end, endValue = k, v
			e, flags, err := decode(k, v)
			switch {
			case err != nil:
				spoilt = append(spoilt, err)
			case flags&flagConflict == 0:
				entries = append(entries, e)
			}
		}
		if end != nil {
			last = linkOf(end, endValue)
		}
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
