package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"go.etcd.io/bbolt"
)

// The buckets of decisions about the records, and of the outbox. A file gets them with
// its first decision.
var (
	decisionBucket = []byte("decision")    // decidedKey → the state
	outcomesBucket = []byte("outcomes")    // number 8 → an outcome
	outboxBucket   = []byte("outbox")      // queue, 0x00, number 8 → length of the key 2, key, body
	itemKeysBucket = []byte("outbox-keys") // key → waiting 1, its key in the outbox; or settled 1, time 8

	decidedKey = []byte("state")
)

const (
	waiting = 1
	settled = 2

	// keysFor is how long the key of a settled item is remembered at least. Older ones are
	// looked for every dropEvery: that reads all.
	keysFor   = 90 * 24 * time.Hour
	dropEvery = 24 * time.Hour
)

// OutboxItem is a message that has to be sent. Its body is opaque to the store.
type OutboxItem struct {
	// Queue names the channel. Key identifies the item for ever: putting another item
	// with that key, whether the first waits or is settled, changes nothing.
	Queue, Key string
	Body       []byte
}

// Decide stores the caller's state, adds outcomes and puts items into their queues,
// all in one transaction. Its errors are those of Append.
func (s *Store) Decide(state []byte, outcomes [][]byte, items []OutboxItem) error {
	return s.alter(func(tx *bbolt.Tx) error { return decide(tx, state, outcomes, items) })
}

func decide(tx *bbolt.Tx, state []byte, outcomes [][]byte, items []OutboxItem) error {
	decision, err := tx.CreateBucketIfNotExists(decisionBucket)
	if err != nil {
		return err
	}
	if err := decision.Put(decidedKey, seal(decidedKey, bytes.Clone(state))); err != nil {
		return err
	}
	ended, err := tx.CreateBucketIfNotExists(outcomesBucket)
	if err != nil {
		return err
	}
	for _, o := range outcomes {
		n, err := ended.NextSequence()
		if err != nil {
			return err
		}
		key := binary.BigEndian.AppendUint64(nil, n)
		if err := ended.Put(key, seal(key, bytes.Clone(o))); err != nil {
			return err
		}
	}
	for i := range items {
		if err := putItem(tx, &items[i]); err != nil {
			return err
		}
	}
	return nil
}

// Decided returns the state that was stored last, nil before the first. The error is a
// [*Damage] if it is corrupt.
func (s *Store) Decided() ([]byte, error) {
	var out []byte
	err := s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket(decisionBucket)
		if b == nil {
			return nil
		}
		state, ok := unseal(decidedKey, b.Get(decidedKey))
		if !ok {
			return &Damage{Meaning: "the last decision is corrupt"}
		}
		out = bytes.Clone(state)
		return nil
	})
	return out, err
}

// Outcomes returns all outcomes, oldest first.
func (s *Store) Outcomes() ([][]byte, error) {
	var out [][]byte
	err := s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket(outcomesBucket)
		if b == nil {
			return nil
		}
		return b.ForEach(func(k, v []byte) error {
			o, ok := unseal(k, v)
			if !ok {
				return &Damage{Meaning: fmt.Sprintf("outcome %d is corrupt", binary.BigEndian.Uint64(k))}
			}
			out = append(out, bytes.Clone(o))
			return nil
		})
	})
	return out, err
}

// Oldest returns the first item of a queue that is not settled, and whether there is
// one.
func (s *Store) Oldest(queue string) (OutboxItem, bool, error) {
	var out OutboxItem
	found := false
	err := s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket(outboxBucket)
		if b == nil {
			return nil
		}
		prefix := queueKey(queue)
		k, v := b.Cursor().Seek(prefix)
		if !bytes.HasPrefix(k, prefix) {
			return nil
		}
		found = true
		key, body, ok := decodeItem(k, v)
		if !ok {
			return &Damage{Meaning: "an item in the queue " + queue + " is corrupt"}
		}
		out = OutboxItem{queue, key, bytes.Clone(body)}
		return nil
	})
	return out, found && err == nil, err
}

// Waiting counts the items of a queue that are not settled.
func (s *Store) Waiting(queue string) (int, error) {
	n := 0
	err := s.view(func(tx *bbolt.Tx) error {
		b := tx.Bucket(outboxBucket)
		if b == nil {
			return nil
		}
		prefix := queueKey(queue)
		c := b.Cursor()
		for k, _ := c.Seek(prefix); bytes.HasPrefix(k, prefix); k, _ = c.Next() {
			n++
		}
		return nil
	})
	return n, err
}

// Replace changes the body of an item that waits; the item keeps its place. Of one that
// is settled or unknown it changes nothing.
func (s *Store) Replace(p OutboxItem) error {
	return s.alter(func(tx *bbolt.Tx) error {
		at, ok := findWaiting(tx, p.Key)
		if !ok {
			return nil
		}
		return tx.Bucket(outboxBucket).Put(at, encodeItem(at, &p))
	})
}

// Settle removes an item from its queue and remembers its key for 90 days at least.
func (s *Store) Settle(key string) error {
	return s.alter(func(tx *bbolt.Tx) error {
		at, ok := findWaiting(tx, key)
		if !ok {
			return nil
		}
		if err := tx.Bucket(outboxBucket).Delete(at); err != nil {
			return err
		}
		now := s.now()
		if since := now.Sub(s.dropped); since < 0 || since >= dropEvery {
			if err := dropSettled(tx.Bucket(itemKeysBucket), now.Add(-keysFor)); err != nil {
				return err
			}
			s.dropped = now // if the commit fails, they stay a day longer
		}
		return tx.Bucket(itemKeysBucket).Put([]byte(key), settledNote(key, now))
	})
}

// alter runs f in a transaction of its own; on a full disk once more, after it has
// released the reserve.
func (s *Store) alter(f func(*bbolt.Tx) error) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	err := s.commit(f)
	if errors.Is(err, ErrFull) && s.releaseReserve() {
		err = s.commit(f)
	}
	return err
}

func putItem(tx *bbolt.Tx, p *OutboxItem) error {
	keys, err := tx.CreateBucketIfNotExists(itemKeysBucket)
	if err != nil || keys.Get([]byte(p.Key)) != nil {
		return err
	}
	box, err := tx.CreateBucketIfNotExists(outboxBucket)
	if err != nil {
		return err
	}
	n, err := box.NextSequence()
	if err != nil {
		return err
	}
	at := binary.BigEndian.AppendUint64(queueKey(p.Queue), n)
	if err := box.Put(at, encodeItem(at, p)); err != nil {
		return err
	}
	return keys.Put([]byte(p.Key), waitingNote(p.Key, at))
}

// waitingNote is the note of an item that waits.
func waitingNote(key string, at []byte) []byte {
	return seal([]byte(key), append([]byte{waiting}, at...))
}

// settledNote is the note of an item that was settled.
func settledNote(key string, at time.Time) []byte {
	return seal([]byte(key), binary.BigEndian.AppendUint64([]byte{settled}, uint64(at.UnixNano())))
}

// findWaiting finds an item that waits: its key in the outbox.
func findWaiting(tx *bbolt.Tx, key string) (at []byte, ok bool) {
	keys := tx.Bucket(itemKeysBucket)
	if keys == nil {
		return nil, false
	}
	note, ok := unseal([]byte(key), keys.Get([]byte(key)))
	if !ok || len(note) == 0 || note[0] != waiting {
		return nil, false
	}
	return bytes.Clone(note[1:]), true
}

// dropSettled forgets the keys of items that were settled before a moment.
func dropSettled(keys *bbolt.Bucket, before time.Time) error {
	var old [][]byte
	err := keys.ForEach(func(k, v []byte) error {
		note, ok := unseal(k, v)
		if ok && len(note) == 9 && note[0] == settled && int64(binary.BigEndian.Uint64(note[1:])) < before.UnixNano() {
			old = append(old, bytes.Clone(k))
		}
		return nil
	})
	for _, k := range old {
		if err == nil {
			err = keys.Delete(k)
		}
	}
	return err
}

// queueKey begins the keys of a queue; its name holds no 0x00.
func queueKey(queue string) []byte { return append([]byte(queue), 0) }

// encodeItem is the value of an item in the outbox; decodeItem takes it apart.
func encodeItem(at []byte, p *OutboxItem) []byte {
	b := binary.BigEndian.AppendUint16(nil, uint16(len(p.Key)))
	b = append(b, p.Key...)
	return seal(at, append(b, p.Body...))
}

func decodeItem(at, value []byte) (key string, body []byte, ok bool) {
	b, ok := unseal(at, value)
	if !ok || len(b) < 2 || len(b) < 2+int(binary.BigEndian.Uint16(b)) {
		return "", nil, false
	}
	end := 2 + int(binary.BigEndian.Uint16(b))
	return string(b[2:end]), b[end:], true
}
