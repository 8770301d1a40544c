package store

import (
	"bytes"
	"fmt"
	"strings"

	"go.etcd.io/bbolt"
)

// repairs lists the corrupt parts of the decisions and of the outbox. They would stop
// an agent from starting, or a channel from sending, for ever.
type repairs struct {
	state           bool
	outcomes, items [][]byte          // keys
	notes           [][]byte          // keys of corrupt notes, and of notes of corrupt items
	unnoted         map[string][]byte // keys of items with a corrupt note → where they are in the outbox
	forgotten       int               // corrupt notes without an item
}

// repair removes them and reports it. It changes no record: Verify reports what of
// the records is corrupt.
func (s *Store) repair() error {
	var m repairs
	err := s.view(func(tx *bbolt.Tx) error {
		m = corruptIn(tx)
		return nil
	})
	text := m.text()
	if err != nil || text == "" {
		return err
	}
	if err := s.commit(m.takeOut); err != nil {
		return err
	}
	s.diagnose(FoundCorrupt, "", "The disk has corrupted data in the store %s. The store has repaired itself: %s. No record is affected. Check the disk.", s.path, text)
	return nil
}

func corruptIn(tx *bbolt.Tx) repairs {
	m := repairs{unnoted: map[string][]byte{}}
	if b := tx.Bucket(decisionBucket); b != nil {
		_, sound := unseal(decidedKey, b.Get(decidedKey))
		m.state = !sound
	}
	each(tx, outcomesBucket, func(k, v []byte) {
		if _, sound := unseal(k, v); !sound {
			m.outcomes = append(m.outcomes, bytes.Clone(k))
		}
	})
	there := map[string]bool{}
	each(tx, outboxBucket, func(k, v []byte) {
		key, _, sound := decodeItem(k, v)
		if !sound {
			m.items = append(m.items, bytes.Clone(k))
			return
		}
		there[string(k)] = true
		if at, noted := findWaiting(tx, key); !noted || !bytes.Equal(at, k) {
			m.unnoted[key] = bytes.Clone(k)
		}
	})
	each(tx, itemKeysBucket, func(k, v []byte) {
		note, sound := unseal(k, v)
		_, renewed := m.unnoted[string(k)]
		switch {
		case renewed: // it gets a new note
		case !sound || len(note) == 0:
			m.notes, m.forgotten = append(m.notes, bytes.Clone(k)), m.forgotten+1
		case note[0] == waiting && !there[string(note[1:])]:
			m.notes = append(m.notes, bytes.Clone(k))
		}
	})
	return m
}

// each calls f for every key of a bucket, if there is that bucket.
func each(tx *bbolt.Tx, bucket []byte, f func(k, v []byte)) {
	if b := tx.Bucket(bucket); b != nil {
		c := b.Cursor()
		for k, v := c.First(); k != nil; k, v = c.Next() {
			f(k, v)
		}
	}
}

func (m *repairs) takeOut(tx *bbolt.Tx) error {
	if m.state {
		if err := tx.DeleteBucket(decisionBucket); err != nil {
			return err
		}
	}
	for _, of := range []struct {
		bucket []byte
		keys   [][]byte
	}{{outcomesBucket, m.outcomes}, {outboxBucket, m.items}, {itemKeysBucket, m.notes}} {
		for _, key := range of.keys {
			if err := tx.Bucket(of.bucket).Delete(key); err != nil {
				return err
			}
		}
	}
	for key, at := range m.unnoted {
		if err := tx.Bucket(itemKeysBucket).Put([]byte(key), waitingNote(key, at)); err != nil {
			return err
		}
	}
	return nil
}

// text lists the repairs; "" if there are none.
func (m *repairs) text() string {
	var parts []string
	if m.state {
		parts = append(parts, "the last decision is made again")
	}
	for _, part := range []struct {
		n    int
		what string
	}{
		{len(m.outcomes), "outcomes of alerts lost: %d"},
		{len(m.items), "waiting messages lost: %d"},
		{len(m.unnoted), "notes of waiting messages made again: %d"},
		{m.forgotten, "notes of sent messages lost: %d (these may be sent again)"},
	} {
		if part.n > 0 {
			parts = append(parts, fmt.Sprintf(part.what, part.n))
		}
	}
	return strings.Join(parts, "; ")
}
