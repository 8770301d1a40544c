package store

import (
	"bytes"
	"iter"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// item is one step of a walk: an entry, or a block of compacted ones. Its bytes are
// valid during the transaction only.
type item struct {
	key, value []byte
	compacted  bool
}

// size is how many bytes of the file it takes.
func (i item) size() int { return len(i.key) + len(i.value) }

// walk goes through the entries, whole and compacted, machine by machine in order of
// taking: those whose keys begin with the prefix, from a key on if one is given. A file
// of schema 1 that is only read has no compacted ones.
func walk(tx *bbolt.Tx, prefix, from []byte) iter.Seq[item] {
	return func(yield func(item) bool) {
		from := slices.MaxFunc([][]byte{prefix, from}, bytes.Compare)
		whole, left := under(tx.Bucket(entriesBucket), prefix, from), under(tx.Bucket(compactedBucket), prefix, from)
		for whole.key != nil || left.key != nil {
			next := whole
			if whole.key == nil || left.key != nil && bytes.Compare(left.key, whole.key) < 0 {
				next = left
			}
			if !yield(item{next.key, next.value, next == left}) {
				return
			}
			next.at(next.cursor.Next())
		}
	}
}

// reading is a cursor over the keys with a prefix; its key is nil at the end.
type reading struct {
	cursor             *bbolt.Cursor
	prefix, key, value []byte
}

func under(b *bbolt.Bucket, prefix, from []byte) *reading {
	r := &reading{prefix: prefix}
	if b != nil {
		r.cursor = b.Cursor()
		r.at(r.cursor.Seek(from))
	}
	return r
}

func (r *reading) at(key, value []byte) {
	if r.key, r.value = key, value; !bytes.HasPrefix(key, r.prefix) {
		r.key, r.value = nil, nil
	}
}

// entries are the item's entries without conflicts. With a [*Damage] come those that
// can be read.
func (i item) entries() ([]drift.Entry, error) {
	if !i.compacted {
		e, flags, err := decode(i.key, i.value)
		if err != nil || flags&flagConflict != 0 {
			return nil, err
		}
		return []drift.Entry{e}, nil
	}
	b, err := blockOf(i.key, i.value)
	out := make([]drift.Entry, len(b.all))
	for n := range b.all {
		out[n] = b.all[n].entry()
	}
	return out, err
}

// sums stand for the item's records, see [stored.shared].
func (i item) sums() ([][]byte, error) {
	if !i.compacted {
		e, err := parse(i.key, i.value)
		if err != nil {
			return nil, err
		}
		sum, err := e.shared()
		return [][]byte{sum}, err
	}
	b, err := blockOf(i.key, i.value)
	out := make([][]byte, len(b.all))
	for n := range b.all {
		out[n] = bytes.Clone(b.all[n].sum)
		if shared := b.all[n].shared; shared != nil {
			out[n] = bytes.Clone(shared)
		}
	}
	return out, err
}

// advance moves the head over the item and says whether that follows from the entry
// before it. Of a corrupt item it takes the chain value as it stands, so that the next
// can be judged.
func (i item) advance(h *head) (follows bool, err error) {
	if !i.compacted {
		_, follows, err = h.advance(i.key, i.value)
		return follows, err
	}
	b, err := blockOf(i.key, i.value)
	if err != nil {
		if end := len(i.value) - 4; end >= digestLen {
			h.chain = bytes.Clone(i.value[end-digestLen : end])
		}
		return false, err
	}
	return b.advance(h), nil
}
