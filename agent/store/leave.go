package store

import (
	"bytes"
	"encoding/binary"
	"time"

	"go.etcd.io/bbolt"
)

// What another store reads when it adopts everything that this one keeps.

// Position is the last number given.
func (s *Store) Position() (epoch, seq uint64, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		st, err := stateOf(tx.Bucket(metaBucket).Get(stateKey))
		epoch, seq = st.epoch, st.seq
		return err
	})
	return epoch, seq, err
}

// Origin is the chain that a machine's first entry follows: that of an earlier schema, or
// zeros.
func (s *Store) Origin(machine string) (origin []byte, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		origin = originOf(tx, machine)
		return nil
	})
	return origin, err
}

// Walk visits all entries, machine by machine in order of taking, in one transaction. The
// error is visit's, or a [*Damage] for the first entry that cannot be read or does not
// follow from the one before.
func (s *Store) Walk(visit func(Kept) error) error {
	return s.view(func(tx *bbolt.Tx) error {
		var at string
		var chain []byte
		for i := range walk(tx, nil, nil) {
			p, ok := placeOf(i.key)
			if !ok {
				return &Damage{Meaning: "an entry has an invalid key"}
			}
			if chain == nil || p.machine != at {
				at, chain = p.machine, originOf(tx, p.machine)
			}
			s.spend(tx, i.size())
			h := head{chain: chain}
			follows, err := i.advance(&h)
			if err != nil {
				return err
			}
			if !follows {
				return &Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, Meaning: "it does not follow from the entry before it"}
			}
			all, err := i.kept(chain)
			if err != nil {
				return err
			}
			for _, k := range all {
				if err := visit(k); err != nil {
					return err
				}
			}
			chain = h.chain
		}
		return nil
	})
}

// kept are the item's entries as every store keeps them, after the entry with the chain
// prev.
func (i item) kept(prev []byte) ([]Kept, error) {
	if !i.compacted {
		k, err := keptWhole(i)
		return []Kept{k}, err
	}
	b, err := blockOf(i.key, i.value)
	var out []Kept
	for n := range b.all {
		l := b.all[n]
		prev = chainOf(prev, l.key(), l.flags, l.labels[0], l.marks(), l.sum, l.reduced())
		one := block{all: []compactedEntry{l}, chain: prev}
		out = append(out, Kept{Machine: l.machine, Epoch: l.epoch, Seq: l.seq, ID: idKey(l.id), Reduced: one.value(l.key())})
	}
	return out, err
}

func keptWhole(i item) (Kept, error) {
	s, err := parse(i.key, i.value)
	if err != nil {
		return Kept{}, err
	}
	p, _ := placeOf(i.key) // Walk has just read it
	k := Kept{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, ID: bytes.Clone(s.idKey), Whole: bytes.Clone(i.value)}
	if s.format != formatSummed || s.flags&flagUsage == 0 || s.flags&flagConflict != 0 {
		return k, nil
	}
	e, err := s.entry(p)
	if err == nil && reducible(&e.Record, s.received) {
		k.Reduced = reducedBlock(p, &s, &e.Record, bytes.Clone(s.chain))
	}
	return k, err
}

// KnownPerson is a pseudonym as it is kept. First is the pseudonym that stands for the
// person; Name is "" where that is another one, and of a forgotten person.
type KnownPerson struct {
	Pseudonym, First, Name string
	Change                 uint64
}

// People returns all pseudonyms, and the number of the last change of any. It leaves out
// what is corrupt; Verify reports that.
func (s *Store) People() (all []KnownPerson, changes uint64, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		each(tx, peopleBucket, func(k, v []byte) {
			if p, ok := personOf(k, v); ok {
				all = append(all, KnownPerson{string(k), p.first, p.name, p.change})
			}
		})
		if b := tx.Bucket(peopleBucket); b != nil {
			changes = b.Sequence()
		}
		return nil
	})
	return all, changes, err
}

// SettledItem is the key of an outbox item that was settled, and when.
type SettledItem struct {
	Key  string
	Time time.Time
}

// Outbox returns the items that wait, those of a queue in order, and the keys that are
// remembered. It leaves out what is corrupt; Open has repaired that.
func (s *Store) Outbox() (waits []OutboxItem, done []SettledItem, err error) {
	err = s.view(func(tx *bbolt.Tx) error {
		each(tx, outboxBucket, func(at, value []byte) {
			if key, body, ok := decodeItem(at, value); ok {
				queue, _, _ := bytes.Cut(at, []byte{0})
				waits = append(waits, OutboxItem{string(queue), key, bytes.Clone(body)})
			}
		})
		each(tx, itemKeysBucket, func(key, value []byte) {
			if note, ok := unseal(key, value); ok && len(note) == 9 && note[0] == settled {
				done = append(done, SettledItem{string(key), time.Unix(0, int64(binary.BigEndian.Uint64(note[1:])))})
			}
		})
		return nil
	})
	return waits, done, err
}

// Cursors returns the cursors of all hubs, by name.
func (s *Store) Cursors() (map[string]Cursor, error) {
	out := map[string]Cursor{}
	err := s.view(func(tx *bbolt.Tx) error {
		each(tx, metaBucket, func(key, value []byte) {
			if name, is := bytes.CutPrefix(key, []byte(cursorPrefix)); is {
				out[string(name)] = cursorOf(key, value)
			}
		})
		return nil
	})
	return out, err
}
