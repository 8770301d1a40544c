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

// Compaction says which arc counts may be compacted.
type Compaction struct {
	// Keep is how many arc counts of each machine stay whole: the latest in order of
	// taking, whatever their time.
	Keep int
	// Hub, if not nil, is how far a hub's receipts go. What it does not have stays
	// whole.
	Hub *Cursor
}

// compactAtOnce is how many records one transaction compacts, so that other writers
// wait for a moment only.
const compactAtOnce = 1000

// Compact removes the records of old arc counts. Of each it keeps what the model reads
// and what proves it, in blocks, see [compactedEntry]; it returns how many it compacted.
// The chain can still be checked link by link, a repeat is still recognised, History
// returns the arc count, and the digests stay the same. Only usage records are ever
// compacted: none that shares its id with another, not the last entry of a machine,
// and not the last that a hub has. A machine with a corrupt record stays as it is; the
// error then holds a [*Damage] for each. When ctx ends, Compact returns ctx's error
// before the next transaction.
func (s *Store) Compact(ctx context.Context, what Compaction) (int, error) {
	machines, err := s.Machines()
	if err != nil {
		return 0, err
	}
	total := 0
	var corrupt []error
	for _, machine := range machines {
		if ctx.Err() != nil {
			return total, ctx.Err()
		}
		old, err := s.old(machine, what)
		if err != nil {
			corrupt = append(corrupt, fmt.Errorf("the arc counts of machine %s are not compacted: %w", machine, err))
		}
		for len(old) > 0 && ctx.Err() == nil {
			n := min(len(old), compactAtOnce)
			if err := s.compact(old[:n]); err != nil {
				return total, err
			}
			total, old = total+n, old[n:]
		}
	}
	return total, errors.Join(append(corrupt, ctx.Err())...)
}

// compact compacts arc counts in one transaction. It is not urgent, so the reserve is
// not released for it.
func (s *Store) compact(old []compactedEntry) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	// The entry that the checkpoint names may be among these. Without its record, the
	// next start after a crash would report another store.
	if err := s.saveCheckpoint(); err != nil {
		return err
	}
	return s.commit(func(tx *bbolt.Tx) error { return compact(tx, old) })
}

// old are the arc counts of a machine that may be compacted, in order of taking.
func (s *Store) old(machine string, what Compaction) ([]compactedEntry, error) {
	var whole []compactedEntry
	var counts []uint64
	var last uint64
	err := s.view(func(tx *bbolt.Tx) error {
		ids := tx.Bucket(idsBucket)
		for i := range walk(tx, headKey(machine), nil) {
			entries, err := i.entries()
			if err != nil {
				return err
			}
			if i.compacted || len(entries) == 0 {
				continue
			}
			if last = entries[0].StoreSeq; entries[0].Type != drift.TypeUsage {
				continue
			}
			counts = append(counts, last)
			if l, ok := compactable(i, ids, &entries[0]); ok && what.confirmed(&l) && !isHubsLast(tx, l.place) {
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
	return slices.DeleteFunc(whole, func(l compactedEntry) bool { return l.seq >= from }), nil
}

// confirmed says whether the hub has the count, or there is no hub.
func (t *Compaction) confirmed(l *compactedEntry) bool {
	return t.Hub == nil || l.before(place{epoch: t.Hub.Epoch, seq: t.Hub.Seq})
}

// compactable is the compacted form of an entry, and whether there is one: it must be
// an arc count that has its id alone and can be proved without its record.
func compactable(i item, ids *bbolt.Bucket, e *drift.Entry) (compactedEntry, bool) {
	s, err := parse(i.key, i.value)
	if err != nil || !reducible(&e.Record, e.Received) || s.format != formatSummed || s.flags&flagUsage == 0 || s.flags&flagConflict != 0 {
		return compactedEntry{}, false
	}
	l := compactedOf(e, s.via)
	l.place = place{e.Machine, e.StoreEpoch, e.StoreSeq}
	l.flags, l.body, l.sum = s.flags, bytes.Clone(s.body), s.sum()
	if s.flags&flagPerson != 0 {
		l.shared = sharedOf(&e.Record, s.received, s.flags)
	}
	alone := bytes.Equal(ids.Get(s.idKey), appendRef(nil, l.place))
	return l, alone && bytes.Equal(l.reduced(), s.reduced)
}

// compact replaces records by blocks.
func compact(tx *bbolt.Tx, old []compactedEntry) error {
	entries, compacted, order := tx.Bucket(entriesBucket), tx.Bucket(compactedBucket), tx.Bucket(orderBucket)
	var run block
	end := func() error {
		if len(run.all) == 0 {
			return nil
		}
		key := run.all[0].key()
		value := run.value(key)
		run = block{}
		return compacted.Put(key, value)
	}
	for i := range old {
		l := &old[i]
		key := l.key()
		e, err := parse(key, entries.Get(key))
		if err != nil {
			return err
		}
		chain := bytes.Clone(e.chain)
		if !run.takes(entries.Cursor(), compacted.Cursor(), l) {
			if err := end(); err != nil {
				return err
			}
		}
		run.all, run.chain = append(run.all, *l), chain
		if err := errors.Join(entries.Delete(key), order.Delete(l.appendOrder(nil))); err != nil {
			return err
		}
	}
	return errors.Join(end(), compacted.SetSequence(compacted.Sequence()+uint64(len(old))))
}

// takes says whether the count can be added to the block: no whole entry is between
// them. The entries of the block are no longer in entries and not yet in compacted.
func (b *block) takes(entries, compacted *bbolt.Cursor, l *compactedEntry) bool {
	if len(b.all) == 0 || len(b.all) == mostInBlock || b.all[0].epoch != l.epoch {
		return len(b.all) == 0
	}
	first, next := b.all[0].key(), l.key()
	entries.Seek(next)
	before, _ := entries.Prev()
	after, _ := compacted.Seek(first)
	return bytes.Compare(before, first) < 0 && (after == nil || bytes.Compare(after, next) > 0)
}

// mostInBlock bounds how much has to be read to find one count.
const mostInBlock = 64

// compactedCount is how many records were compacted. A file of schema 1 that is only
// read has no such bucket.
func compactedCount(tx *bbolt.Tx) uint64 {
	if b := tx.Bucket(compactedBucket); b != nil {
		return b.Sequence()
	}
	return 0
}
