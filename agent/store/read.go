package store

import (
	"bytes"
	"cmp"
	"errors"
	"iter"
	"math"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// Stats are figures about a store.
type Stats struct {
	// Size is what is used of the file, in bytes; Limit what it may grow to.
	Size, Limit int64
	// Epoch and Seq are the last numbers given. Entries counts all entries that were
	// taken, conflicts included, Compacted those of them that were compacted.
	Epoch, Seq, Entries, Compacted uint64
	Machines                       int
	Conflicts, Refused             uint64
	// Unsure is the failed write since which no records are taken, or nil. Checkpoint
	// is why the checkpoint could not be written last, or nil.
	Unsure, Checkpoint error
}

// Stats returns them.
func (s *Store) Stats() (Stats, error) {
	var out Stats
	err := s.view(func(tx *bbolt.Tx) error {
		st, err := stateOf(tx.Bucket(metaBucket).Get(stateKey))
		if err != nil {
			return err
		}
		out = Stats{
			Size: tx.Size(), Limit: int64(s.bolt().MaxSize),
			Epoch: st.epoch, Seq: st.seq, Entries: st.seq - gapsOf(tx), Conflicts: st.conflicts, Refused: st.refused,
			Machines: len(machines(tx)), Compacted: compactedCount(tx),
		}
		return nil
	})
	s.diagnosticsMu.Lock()
	defer s.diagnosticsMu.Unlock()
	out.Unsure, out.Checkpoint = s.unsure, s.checkpointErr
	return out, err
}

// Machines returns the names of all machines that have entries, in order.
func (s *Store) Machines() ([]string, error) {
	var out []string
	err := s.view(func(tx *bbolt.Tx) error {
		out = machines(tx)
		return nil
	})
	return out, err
}

func machines(tx *bbolt.Tx) []string {
	var out []string
	c := tx.Bucket(headsBucket).Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		if name := string(bytes.TrimSuffix(k, []byte{0})); name != "" {
			out = append(out, name)
		}
	}
	return out
}

// Counters returns the last known arc count of every machine. A machine with a corrupt
// head has none until its next entry.
func (s *Store) Counters() (map[string]drift.Counter, error) {
	out := map[string]drift.Counter{}
	err := s.view(func(tx *bbolt.Tx) error {
		return tx.Bucket(headsBucket).ForEach(func(k, v []byte) error {
			machine := string(bytes.TrimSuffix(k, []byte{0}))
			if h, err := headOf(machine, v); err == nil {
				out[machine] = h.counter
			}
			return nil // Verify reports it
		})
	})
	return out, err
}

// History returns the entries of one machine in order of taking, with corrections and
// without conflicts. Compacted arc counts are as [Store.Compact] left them. If the
// error is or holds a [*Damage], the sound entries are returned with it.
func (s *Store) History(machine string) ([]drift.Entry, error) {
	entries, _, err := s.After(machine, nil)
	return entries, err
}

func decode(k, v []byte) (drift.Entry, byte, error) {
	s, err := parse(k, v)
	if err != nil {
		return drift.Entry{}, 0, err
	}
	p, ok := placeOf(k)
	if !ok {
		return drift.Entry{}, 0, &Damage{Meaning: "an entry has an invalid key"}
	}
	e, err := s.entry(p)
	return e, s.flags, err
}

// Setups returns the setup entries of all scopes in order of taking; errors as of
// [Store.History].
func (s *Store) Setups() ([]drift.Entry, error) { return s.listed(setupsBucket) }

// Conflicts returns the entries whose id another record of the machine had already, in
// order of taking; errors as of [Store.History]. Find returns the first of an id.
func (s *Store) Conflicts() ([]drift.Entry, error) { return s.listed(conflictsBucket) }

// listed returns the entries that a bucket lists.
func (s *Store) listed(bucket []byte) ([]drift.Entry, error) {
	var out []drift.Entry
	var corrupt []error
	err := s.view(func(tx *bbolt.Tx) error {
		entries := tx.Bucket(entriesBucket)
		err := tx.Bucket(bucket).ForEach(func(k, machine []byte) error {
			p, ok := orderOf(k, machine)
			if !ok {
				corrupt = append(corrupt, &Damage{Meaning: "the order of taking is corrupt"})
				return nil
			}
			key := p.key()
			e, _, err := decode(key, entries.Get(key))
			if err != nil {
				corrupt = append(corrupt, err)
				return nil
			}
			out = append(out, e)
			return nil
		})
		peopleOf(tx).Show(out)
		return err
	})
	return out, errors.Join(append(corrupt, err)...)
}

// inOrder returns the whole entries after a place in order of taking, at most limit of
// them (0: all). It ends at the first corrupt one, with a [*Damage].
func inOrder(tx *bbolt.Tx, after place, limit int) ([]drift.Entry, error) {
	var out []drift.Entry
	from := after.appendOrder(nil)
	c := tx.Bucket(orderBucket).Cursor()
	k, machine := c.Seek(from)
	if bytes.Equal(k, from) {
		k, machine = c.Next()
	}
	entries := tx.Bucket(entriesBucket)
	for ; k != nil && (limit == 0 || len(out) < limit); k, machine = c.Next() {
		p, ok := orderOf(k, machine)
		if !ok {
			return out, &Damage{Meaning: "the order of taking is corrupt"}
		}
		key := p.key()
		e, _, err := decode(key, entries.Get(key))
		if err != nil {
			return out, err
		}
		out = append(out, e)
	}
	return out, nil
}

// Since returns the entries after these numbers in order of taking, conflicts
// included, at most limit of them (0: all). An export and a van that forwards use it.
// A compacted arc count is among them if compaction removed nothing of its record;
// otherwise its number is left out. A corrupt entry ends the list: it is the error, a
// [*Damage], and the entries before it are returned.
func (s *Store) Since(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	var out []drift.Entry
	err := s.view(func(tx *bbolt.Tx) (err error) {
		out, err = since(tx, place{epoch: epoch, seq: seq}, limit)
		peopleOf(tx).Show(out)
		return err
	})
	return out, err
}

// SincePseudonymous is Since with the pseudonyms in the place of names.
func (s *Store) SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	var out []drift.Entry
	err := s.view(func(tx *bbolt.Tx) (err error) {
		out, err = since(tx, place{epoch: epoch, seq: seq}, limit)
		return err
	})
	return out, err
}

func since(tx *bbolt.Tx, after place, limit int) ([]drift.Entry, error) {
	whole, err := inOrder(tx, after, limit)
	if len(whole) == 0 && err == nil {
		return nil, nil // nor is anything compacted: the last entry of a machine never is
	}
	until := place{epoch: math.MaxUint64, seq: math.MaxUint64}
	var d *Damage
	switch {
	case errors.As(err, &d):
		until.epoch, until.seq = d.Epoch, d.Seq
	case limit > 0 && len(whole) == limit:
		until.epoch, until.seq = whole[limit-1].StoreEpoch, whole[limit-1].StoreSeq
	}
	out := append(whole, wholeCompacted(tx, after, until, limit)...)
	slices.SortFunc(out, func(a, b drift.Entry) int {
		return cmp.Or(cmp.Compare(a.StoreEpoch, b.StoreEpoch), cmp.Compare(a.StoreSeq, b.StoreSeq))
	})
	if limit > 0 && len(out) > limit {
		return out[:limit], nil // the error is after these
	}
	return out, err
}

// Entries goes through all entries of a store in order of taking. It reads in pages, so that a slow
// reader does not stop others. For a corrupt entry it gives a [*Damage] with a Seq
// and goes on; any other error ends it.
func Entries(s interface {
	Since(epoch, seq uint64, limit int) ([]drift.Entry, error)
}) iter.Seq2[drift.Entry, error] {
	const page = 1000
	return func(yield func(drift.Entry, error) bool) {
		var epoch, seq uint64
		for {
			entries, err := s.Since(epoch, seq, page)
			for _, e := range entries {
				epoch, seq = e.StoreEpoch, e.StoreSeq
				if !yield(e, nil) {
					return
				}
			}
			var d *Damage
			switch {
			case errors.As(err, &d) && d.Seq > 0:
				epoch, seq = d.Epoch, d.Seq
				if !yield(drift.Entry{}, d) {
					return
				}
			case err != nil:
				yield(drift.Entry{}, err)
				return
			case len(entries) < page:
				return
			}
		}
	}
}

// Find returns the first entry of the machine with this id, as [Store.History] does,
// and whether there is one. The error is a [*Damage] if it cannot be read.
func (s *Store) Find(machine, id string) (drift.Entry, bool, error) {
	var out drift.Entry
	found := false
	err := s.view(func(tx *bbolt.Tx) error {
		places, ok := refsOf(tx.Bucket(idsBucket).Get(idKey(id)))
		if !ok {
			return &Damage{Meaning: "the index of ids is corrupt"}
		}
		places = placesOf(places, machine)
		if len(places) == 0 {
			return nil
		}
		var err error
		key := places[0].key()
		value := tx.Bucket(entriesBucket).Get(key)
		if l, compacted := compactedAt(tx.Bucket(compactedBucket), places[0]); value == nil && compacted {
			out, found = l.entry(), true
			return nil
		}
		out, _, err = decode(key, value)
		out.Record = out.WithPeople(peopleOf(tx).Shown)
		found = err == nil
		return err
	})
	return out, found, err
}
