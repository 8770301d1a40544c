package store

import (
	"bytes"
	"fmt"
	"strings"

	"go.etcd.io/bbolt"
)

// mending is what the disk has spoilt of the decisions and of what is on its way:
// it would keep an agent from starting, or a channel from sending, for ever.
type mending struct {
	state             bool
	outcomes, parcels [][]byte          // keys
	notes             [][]byte          // keys of those that are spoilt, or of parcels that are
	unnoted           map[string][]byte // parcels whose note is spoilt, and where they are
	forgotten         int               // spoilt notes of none that waits
}

// mend takes that out and tells it. Of the records it touches nothing: what of
// them is spoilt is verify's to name.
func (s *Store) mend() error {
	var m mending
	err := s.view(func(tx *bbolt.Tx) error {
		m = spoiltIn(tx)
		return nil
	})
	text := m.text()
	if err != nil || text == "" {
		return err
	}
	if err := s.commit(m.takeOut); err != nil {
		return err
	}
	s.found(FoundCorrupt, "", "Spoilt by the disk and taken out of the store %s: %s. No record is concerned; look at the disk.", s.path, text)
	return nil
}

func spoiltIn(tx *bbolt.Tx) mending {
	m := mending{unnoted: map[string][]byte{}}
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
		key, _, sound := opened(k, v)
		if !sound {
			m.parcels = append(m.parcels, bytes.Clone(k))
			return
		}
		there[string(k)] = true
		if at, noted := waits(tx, key); !noted || !bytes.Equal(at, k) {
			m.unnoted[key] = bytes.Clone(k)
		}
	})
	each(tx, parcelsBucket, func(k, v []byte) {
		note, sound := unseal(k, v)
		_, renewed := m.unnoted[string(k)]
		switch {
		case renewed: // it gets a new one
		case !sound || len(note) == 0:
			m.notes, m.forgotten = append(m.notes, bytes.Clone(k)), m.forgotten+1
		case note[0] == waiting && !there[string(note[1:])]:
			m.notes = append(m.notes, bytes.Clone(k))
		}
	})
	return m
}

// each goes through a bucket, if it is there.
func each(tx *bbolt.Tx, bucket []byte, f func(k, v []byte)) {
	if b := tx.Bucket(bucket); b != nil {
		c := b.Cursor()
		for k, v := c.First(); k != nil; k, v = c.Next() {
			f(k, v)
		}
	}
}

func (m *mending) takeOut(tx *bbolt.Tx) error {
	if m.state {
		if err := tx.DeleteBucket(decisionBucket); err != nil {
			return err
		}
	}
	for _, of := range []struct {
		bucket []byte
		keys   [][]byte
	}{{outcomesBucket, m.outcomes}, {outboxBucket, m.parcels}, {parcelsBucket, m.notes}} {
		for _, key := range of.keys {
			if err := tx.Bucket(of.bucket).Delete(key); err != nil {
				return err
			}
		}
	}
	for key, at := range m.unnoted {
		if err := tx.Bucket(parcelsBucket).Put([]byte(key), waitingAt(key, at)); err != nil {
			return err
		}
	}
	return nil
}

// text lists it; "" for nothing.
func (m *mending) text() string {
	var parts []string
	if m.state {
		parts = append(parts, "what was decided last, which is decided anew")
	}
	for _, part := range []struct {
		n    int
		what string
	}{
		{len(m.outcomes), "outcomes of what was decided: %d"},
		{len(m.parcels), "messages on their way: %d, which are lost"},
		{len(m.unnoted), "notes of messages on their way: %d, which were made anew"},
		{m.forgotten, "notes of messages that were sent: %d, which may be sent again"},
	} {
		if part.n > 0 {
			parts = append(parts, fmt.Sprintf(part.what, part.n))
		}
	}
	return strings.Join(parts, "; ")
}
