package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// Compaction is what thinning may touch.
type Compaction struct {
	// Keep is how many arc counts of each machine, the last in order of taking,
	// stay whole. No clock has a say in it.
	Keep int
	// Hub, if not nil, is how far a hub's receipts go: what it does not have
	// stays.
	Hub *Cursor
}

// thinAtOnce is how many records one transaction thins, so that who wants to
// write meanwhile waits for a moment only.
const thinAtOnce = 1000

// Compact takes out the records of old arc counts and leaves of each what the model
// reads and what proves it, in blocks, see [left]; it returns how many there
// were. The chain is checked link by link as before, sending one again is found
// to be a repeat, History tells it, and the digests stay. Nothing but usage is
// ever thinned: not what shares its id with another, not the last entry of a
// machine, and not where a hub's receipts end. A machine of which something is spoilt stays as it is, which is the error beside those of the
// others. When ctx ends, it ends before the next transaction with ctx's error; what
// is thinned by then is whole.
func (s *Store) Compact(ctx context.Context, what Compaction) (int, error) {
	machines, err := s.Machines()
	if err != nil {
		return 0, err
	}
	total := 0
	var spoilt []error
	for _, machine := range machines {
		if ctx.Err() != nil {
			return total, ctx.Err()
		}
		old, err := s.old(machine, what)
		if err != nil {
			spoilt = append(spoilt, fmt.Errorf("the arc counts of machine %s are not thinned: %w", machine, err))
		}
		for len(old) > 0 && ctx.Err() == nil {
			n := min(len(old), thinAtOnce)
			if err := s.thin(old[:n]); err != nil {
				return total, err
			}
			total, old = total+n, old[n:]
		}
	}
	return total, errors.Join(append(spoilt, ctx.Err())...)
}

// thin thins arc counts, in one transaction. That can wait: the ballast is not
// thrown off for it.
func (s *Store) thin(old []left) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	// The entry that the witness goes by may be among these: without its record,
	// the next start after a crash would take the store for another.
	if err := s.bearWitness(); err != nil {
		return err
	}
	return s.commit(func(tx *bbolt.Tx) error { return thin(tx, old) })
}

// old are a machine's arc counts that may be thinned, in order of taking.
func (s *Store) old(machine string, what Compaction) ([]left, error) {
	var whole []left
	var counts []uint64
	var last uint64
	err := s.view(func(tx *bbolt.Tx) error {
		ids := tx.Bucket(idsBucket)
		for i := range walk(tx, headKey(machine), nil) {
			entries, err := i.entries()
			if err != nil {
				return err
			}
			if i.thinned || len(entries) == 0 {
				continue
			}
			if last = entries[0].StoreSeq; entries[0].Type != drift.TypeUsage {
				continue
			}
			counts = append(counts, last)
			if l, ok := thinnable(i, ids, &entries[0]); ok && what.confirmed(&l) && !reached(tx, l.place) {
				whole = append(whole, l)
			}
		}
		return nil
	})
	if err != nil || len(counts) <= what.Keep {
		return nil, err
	}
	from := last // the first that stays whole
	if what.Keep > 0 {
		from = min(from, counts[len(counts)-what.Keep])
	}
	return slices.DeleteFunc(whole, func(l left) bool { return l.seq >= from }), nil
}

// confirmed says whether no hub waits for the count.
func (t *Compaction) confirmed(l *left) bool {
	return t.Hub == nil || l.before(place{epoch: t.Hub.Epoch, seq: t.Hub.Seq})
}

// thinnable is what would be left of an entry, if it is an arc count that is
// alone with its id and can be proved without its record.
func thinnable(i item, ids *bbolt.Bucket, e *drift.Entry) (left, bool) {
	s, err := parse(i.key, i.value)
	if e.Counts.Known() {
		return left{}, false // somebody has said so of this one
	}
	if err != nil || s.format != formatSummed || s.flags&flagUsage == 0 || s.flags&flagConflict != 0 {
		return left{}, false
	}
	l := leftOf(e, s.via)
	l.place = place{e.Machine, e.StoreEpoch, e.StoreSeq}
	l.flags, l.body, l.sum = s.flags, bytes.Clone(s.body), s.sum()
	if s.flags&flagPerson != 0 {
		l.shared = sharedOf(&e.Record, s.received, s.flags)
	}
	if !l.time.IsZero() && !l.received.Add(l.time.Sub(l.received)).Equal(l.time) {
		return left{}, false // a clock that is centuries off: a block cannot hold it
	}
	alone := bytes.Equal(ids.Get(s.idKey), appendRef(nil, l.place))
	return l, alone && bytes.Equal(l.told(), s.told)
}

// thin puts blocks in the place of records.
func thin(tx *bbolt.Tx, old []left) error {
	entries, thinned, order := tx.Bucket(entriesBucket), tx.Bucket(thinnedBucket), tx.Bucket(orderBucket)
	var run block
	end := func() error {
		if len(run.all) == 0 {
			return nil
		}
		key := run.all[0].key()
		value := run.value(key)
		run = block{}
		return thinned.Put(key, value)
	}
	for i := range old {
		l := &old[i]
		key := l.key()
		e, err := parse(key, entries.Get(key))
		if err != nil {
			return err
		}
		chain := bytes.Clone(e.chain)
		if !run.takes(entries.Cursor(), thinned.Cursor(), l) {
			if err := end(); err != nil {
				return err
			}
		}
		run.all, run.chain = append(run.all, *l), chain
		if err := errors.Join(entries.Delete(key), order.Delete(l.appendOrder(nil))); err != nil {
			return err
		}
	}
	return errors.Join(end(), thinned.SetSequence(thinned.Sequence()+uint64(len(old))))
}

// takes says whether the count belongs into the run: nothing that stays stands
// between. In entries the run is gone already, in thinned it is not there yet.
func (b *block) takes(entries, thinned *bbolt.Cursor, l *left) bool {
	if len(b.all) == 0 || len(b.all) == mostInBlock || b.all[0].epoch != l.epoch {
		return len(b.all) == 0
	}
	first, next := b.all[0].key(), l.key()
	entries.Seek(next)
	before, _ := entries.Prev()
	after, _ := thinned.Seek(first)
	return bytes.Compare(before, first) < 0 && (after == nil || bytes.Compare(after, next) > 0)
}

// mostInBlock bounds what has to be read to find one count.
const mostInBlock = 64

// thinnedCount is how many records were thinned; a file of schema 1 that is only
// read has no such bucket.
func thinnedCount(tx *bbolt.Tx) uint64 {
	if b := tx.Bucket(thinnedBucket); b != nil {
		return b.Sequence()
	}
	return 0
}
