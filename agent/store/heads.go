package store

import (
	"bytes"
	"encoding/hex"
	"time"

	"go.etcd.io/bbolt"
)

// Head is where a machine's chain ended at a moment. A proof that was given away can be
// compared with it later.
type Head struct {
	Machine string
	// Entries is how many the machine had, Epoch and Seq the number of the last.
	Entries, Epoch, Seq uint64
	// Chain is the chain of the last entry, in hexadecimal.
	Chain string
}

// Name is what the store was called when it was made. It stays with the file and its
// backups.
func (s *Store) Name() string { return s.name }

// HeadAt is where the machine's chain stood at a moment: at the last entry that had
// arrived by then. A machine without any has none. Compaction since then, and whatever was
// taken since, change nothing of it. A record that arrived elsewhere before the moment
// and was sent on to this store after it does.
func (s *Store) HeadAt(machine string, knownAt time.Time) (head Head, found bool, err error) {
	prefix := headKey(machine)
	err = s.view(func(tx *bbolt.Tx) error {
		before, count := originOf(tx, machine), uint64(0)
		for i := range walk(tx, prefix, prefix) {
			s.spend(tx, i.size())
			at, passed, err := i.headAt(before, count, knownAt)
			if err != nil {
				return err
			}
			if at.Entries > 0 {
				at.Machine = machine
				head, found = at, true
			}
			before, count = passed.chain, passed.count
		}
		return nil
	})
	return head, found, err
}

// headAt is the head at the last of the item's entries that had arrived at a moment,
// zero when none had, and where the chain stands after the item.
func (i item) headAt(before []byte, count uint64, knownAt time.Time) (at Head, passed head, err error) {
	if !i.compacted {
		e, err := parse(i.key, i.value)
		if err != nil {
			return Head{}, head{}, err
		}
		passed = head{chain: bytes.Clone(e.chain), count: count + 1}
		if p, ok := placeOf(i.key); ok && !e.received.After(knownAt) {
			at = Head{Entries: passed.count, Epoch: p.epoch, Seq: p.seq, Chain: hex.EncodeToString(e.chain)}
		}
		return at, passed, nil
	}
	b, err := blockOf(i.key, i.value)
	if err != nil {
		return Head{}, head{}, err
	}
	for n := range b.all {
		l := &b.all[n]
		count++
		before = chainOf(before, l.key(), l.flags, l.labels[0], l.marks(), l.sum, l.reduced())
		if !l.received.After(knownAt) {
			at = Head{Entries: count, Epoch: l.epoch, Seq: l.seq, Chain: hex.EncodeToString(before)}
		}
	}
	return at, head{chain: bytes.Clone(b.chain), count: count}, nil
}

// Pseudonyms are the names of people that are known, with the pseudonym that stands for
// each in the records.
func (s *Store) Pseudonyms() (map[string]string, error) {
	out := map[string]string{}
	err := s.view(func(tx *bbolt.Tx) error {
		each(tx, namesBucket, func(name, pseudonym []byte) { out[string(name)] = string(pseudonym) })
		return nil
	})
	return out, err
}
