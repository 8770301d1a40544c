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

// Cursor says how much of this store another agent, a hub, has a receipt for.
// It lies in the store's own file: a store that is put back to an earlier day
// goes back to that day's cursor, and sends again what may not be there.
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

// Cursor returns the cursor of that name, or a zero one, from which everything
// is sent.
func (s *Store) Cursor(name string) (Cursor, error) {
	var out Cursor
	err := s.view(func(tx *bbolt.Tx) error {
		key := cursorKey(name)
		out = cursorOf(key, tx.Bucket(metaBucket).Get(key))
		return nil
	})
	return out, err
}

// cursorOf reads a cursor. One that is spoilt is none: sending again does no harm.
func cursorOf(key, sealed []byte) Cursor {
	b, ok := unseal(key, sealed)
	if !ok || len(b) != 24 && len(b) != 32 { // the shorter is of schema 2, without people
		return Cursor{}
	}
	b = append(bytes.Clone(b), make([]byte, 8)...)
	at := func(i int) uint64 { return binary.BigEndian.Uint64(b[8*i:]) }
	return Cursor{at(0), at(1), at(2), at(3)}
}

// reached says whether a hub's receipts, of whichever hub, end at a place: that
// entry is what the hub is asked about when it comes back, and stays whole.
func reached(tx *bbolt.Tx, p place) bool {
	c := tx.Bucket(metaBucket).Cursor()
	for k, v := c.Seek([]byte(cursorPrefix)); bytes.HasPrefix(k, []byte(cursorPrefix)); k, v = c.Next() {
		if at := cursorOf(k, v); at.Epoch == p.epoch && at.Seq == p.seq {
			return true
		}
	}
	return false
}

// SetCursor keeps the cursor of that name; it returns when it is durable.
func (s *Store) SetCursor(name string, c Cursor) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	var b []byte
	for _, v := range []uint64{c.Epoch, c.Seq, c.Refusal, c.People} {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	key := cursorKey(name)
	return s.commit(func(tx *bbolt.Tx) error { return tx.Bucket(metaBucket).Put(key, seal(key, b)) })
}

// ChangedRefusal is a refusal and the number of its last change.
type ChangedRefusal struct {
	drift.Refusal
	Change uint64
}

// RefusalsSince returns what has changed in the refused list after that change,
// in order of changing, at most limit of them. A refusal that comes again
// changes; one that has left the list is not told any more.
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
				continue // verify names it
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

// RefusedDigest stands for the refused list as it is kept: two stores that list
// the same have the same, in whichever order it came.
func (s *Store) RefusedDigest() (Digest, error) {
	all, err := s.Refusals("", 0)
	if err != nil {
		return Digest{}, err
	}
	sums := make([][]byte, len(all))
	for i := range all {
		r := &all[i]
		h := sha256.New()
		h.Write(refusalMark(r))
		for _, n := range []int64{r.Time.UnixNano(), r.Last.UnixNano(), int64(r.Times), int64(r.Line)} {
			h.Write(binary.BigEndian.AppendUint64(nil, uint64(n)))
		}
		sums[i] = h.Sum(nil)
	}
	return digestOf(sums), nil
}

// Digest stands for all that is kept of one machine.
type Digest struct {
	Records uint64
	// Sum is the SHA-256, in hex, over the sorted SHA-256 of every record with
	// its arrival. It knows nothing of the store's own numbers, nor of what was
	// thinned: two stores that took the same records have the same digests.
	Sum string
}

// Digests returns the digest of every machine; that of setups of another scope
// stands under "".
func (s *Store) Digests() (map[string]Digest, error) {
	out := map[string]Digest{}
	err := s.view(func(tx *bbolt.Tx) error {
		var machine string
		var sums [][]byte
		end := func() {
			if len(sums) > 0 {
				out[machine] = digestOf(sums)
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

func digestOf(sums [][]byte) Digest {
	slices.SortFunc(sums, bytes.Compare)
	sum := sha256.Sum256(bytes.Join(sums, nil))
	return Digest{uint64(len(sums)), hex.EncodeToString(sum[:])}
}
