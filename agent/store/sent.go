package store

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// Cursor says for how much of this store a hub has given receipts. It is kept in the
// store's own file: a store that is restored from a backup has the backup's cursor,
// and sends again what the hub may not have.
type Cursor struct {
	// Epoch and Seq are those of the last entry that the hub has.
	Epoch, Seq uint64
	// Refusal is the last change of the refused list that it has.
	Refusal uint64
	// People is the last change of the pseudonyms that it has.
	People uint64
}

const cursorPrefix = "cursor "

func cursorKey(name string) []byte { return []byte(cursorPrefix + name) }

// Cursor returns the cursor of that name; a zero one, with which everything is sent, if
// there is none.
func (s *Store) Cursor(name string) (Cursor, error) {
	var out Cursor
	err := s.view(func(tx *bbolt.Tx) error {
		key := cursorKey(name)
		out = cursorOf(key, tx.Bucket(metaBucket).Get(key))
		return nil
	})
	return out, err
}

// cursorOf reads a cursor. A corrupt one counts as none: sending again does no harm.
func cursorOf(key, sealed []byte) Cursor {
	b, ok := unseal(key, sealed)
	if !ok || len(b) != 24 && len(b) != 32 { // the shorter is of schema 2, without people
		return Cursor{}
	}
	b = append(bytes.Clone(b), make([]byte, 8)...)
	at := func(i int) uint64 { return binary.BigEndian.Uint64(b[8*i:]) }
	return Cursor{at(0), at(1), at(2), at(3)}
}

// isHubsLast says whether the receipts of any hub end at a place. When that hub comes
// back it is asked about this entry, so the entry stays whole.
func isHubsLast(tx *bbolt.Tx, p place) bool {
	c := tx.Bucket(metaBucket).Cursor()
	for k, v := c.Seek([]byte(cursorPrefix)); bytes.HasPrefix(k, []byte(cursorPrefix)); k, v = c.Next() {
		if at := cursorOf(k, v); at.Epoch == p.epoch && at.Seq == p.seq {
			return true
		}
	}
	return false
}

// SetCursor stores the cursor of that name and returns when it is durable. Its errors
// are those of Append.
func (s *Store) SetCursor(name string, c Cursor) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	key := cursorKey(name)
	return s.commit(func(tx *bbolt.Tx) error { return tx.Bucket(metaBucket).Put(key, c.bytes(key)) })
}

// bytes is the stored cursor; cursorOf reads it.
func (c Cursor) bytes(key []byte) []byte {
	var b []byte
	for _, v := range []uint64{c.Epoch, c.Seq, c.Refusal, c.People} {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	return seal(key, b)
}

// ChangedRefusal is a refusal and the number of its last change.
type ChangedRefusal struct {
	drift.Refusal
	Change uint64
}

// RefusalsSince returns the refusals that have changed after that change, in order of
// changing, at most limit of them. A refusal that comes again has changed; one that has
// left the list is not returned.
func (s *Store) RefusalsSince(change uint64, limit int) ([]ChangedRefusal, error) {
	var out []ChangedRefusal
	err := s.view(func(tx *bbolt.Tx) error {
		refused := tx.Bucket(refusedBucket)
		st, err := stateOf(tx.Bucket(metaBucket).Get(stateKey))
		if err != nil || change >= max(refused.Sequence(), st.refused) {
			return err
		}
		c := refused.Cursor()
		for k, v := c.First(); k != nil; k, v = c.Next() {
			r, err := refusalOf(k, v)
			if err != nil {
				continue // Verify reports it
			}
			if r.Change > change {
				out = append(out, r)
			}
		}
		return nil
	})
	slices.SortFunc(out, func(a, b ChangedRefusal) int { return cmp.Compare(a.Change, b.Change) })
	return out[:min(limit, len(out))], err
}

// RefusedDigest is the digest of the refused list: two stores with the same list have
// the same digest, in whatever order the refusals came.
func (s *Store) RefusedDigest() (Digest, error) {
	all, err := s.Refusals("", 0)
	return DigestOfRefusals(all), err
}

// DigestOfRefusals is the digest of a refused list.
func DigestOfRefusals(all []drift.Refusal) Digest {
	sums := make([][]byte, len(all))
	for i := range all {
		r := &all[i]
		h := sha256.New()
		h.Write(RefusalMark(r))
		for _, n := range []int64{r.Time.UnixNano(), r.Last.UnixNano(), int64(r.Times), int64(r.Line)} {
			h.Write(binary.BigEndian.AppendUint64(nil, uint64(n)))
		}
		sums[i] = h.Sum(nil)
	}
	return DigestOf(sums)
}

// Digest stands for all records of one machine.
type Digest struct {
	Records uint64
	// Sum is the SHA-256, in hexadecimal, over the sorted SHA-256 of every record with
	// its arrival. The store's own numbers are no part of it, nor is compaction: two
	// stores that took the same records have the same digests.
	Sum string
}

// Digests returns the digest of every machine; that of the setups for several machines
// has the key "". The error is a [*Damage] if a record is corrupt.
func (s *Store) Digests() (map[string]Digest, error) {
	out := map[string]Digest{}
	err := s.view(func(tx *bbolt.Tx) error {
		var machine string
		var sums [][]byte
		end := func() {
			if len(sums) > 0 {
				out[machine] = DigestOf(sums)
			}
			sums = sums[:0]
		}
		for i := range walk(tx, nil, nil) {
			more, err := i.sums()
			if err != nil {
				return err
			}
			if p, _ := placeOf(i.key); p.machine != machine {
				end()
				machine = p.machine
			}
			sums = append(sums, more...)
		}
		end()
		return nil
	})
	return out, err
}

// DigestOf is the digest of a machine's records; a sum stands for each, see [Kept.Sum].
func DigestOf(sums [][]byte) Digest {
	slices.SortFunc(sums, bytes.Compare)
	sum := sha256.Sum256(bytes.Join(sums, nil))
	return Digest{uint64(len(sums)), hex.EncodeToString(sum[:])}
}
