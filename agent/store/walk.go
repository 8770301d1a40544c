package store

import (
	"bytes"
	"iter"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// item is one step through what is kept: an entry, or a block of what is left of
// thinned ones. Its bytes are valid during the transaction only.
type item struct {
	key, value []byte
	thinned    bool
}

// size is how much of the file it is.
func (i item) size() int { return len(i.key) + len(i.value) }

// walk goes through what is kept, machine by machine, in order of taking: what
// has keys that begin with the prefix, from a key on if one is given. A file of
// schema 1 that is only read has no bucket of thinned ones.
func walk(tx *bbolt.Tx, prefix, from []byte) iter.Seq[item] {
	return func(yield func(item) bool) {
		from := slices.MaxFunc([][]byte{prefix, from}, bytes.Compare)
		whole, left := under(tx.Bucket(entriesBucket), prefix, from), under(tx.Bucket(thinnedBucket), prefix, from)
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

// reading stands at a key under a prefix; its key is nil at the end.
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

// entries are the item's as they are read, conflicts left out.
func (i item) entries() ([]drift.Entry, error) {
	if !i.thinned {
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
	if !i.thinned {
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

// pass moves the head over the item and says whether it follows from what is
// before it. What is spoilt is passed by its bytes, so that the next can be
// judged again.
func (i item) pass(h *head) (follows bool, err error) {
	if !i.thinned {
		_, follows, err = h.pass(i.key, i.value)
		return follows, err
	}
	b, err := blockOf(i.key, i.value)
	if err != nil {
		if end := len(i.value) - 4; end >= digestLen {
			h.chain = bytes.Clone(i.value[end-digestLen : end])
		}
		return false, err
	}
	return b.pass(h), nil
}
