package store

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"go.etcd.io/bbolt"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// rewriting copies a store into a new file that holds nothing of what is left out:
// the pages of an old file keep deleted data until they are used again. The new file
// is renamed over the old one, so that either the whole change is done or nothing.
type rewriting struct {
	from *bbolt.Tx
	db   *bbolt.DB
	to   *bbolt.Tx // committed and begun again when it holds much
	size int
}

// mostInRewrite bounds what one transaction of a rewriting holds in memory.
const mostInRewrite = 4 << 20

// rewrite replaces the store's file by a rewritten copy. Before that it calls foresee
// with the copy's path. The caller is the writer.
func (s *Store) rewrite(change func(*rewriting) error, foresee func(staged string) error) error {
	if !s.copying.TryLock() {
		return errCopying
	}
	defer s.copying.Unlock()
	staged := s.rewritten()
	if err := os.Remove(staged); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	defer os.Remove(staged) // no longer there once it was renamed
	if err := s.rewriteTo(staged, change); err != nil {
		return err
	}
	if err := foresee(staged); err != nil {
		return err
	}
	return s.reconnect(func() error {
		return errors.Join(os.Rename(staged, s.path), syncDir(filepath.Dir(s.path)))
	})
}

// errCopying: a file cannot be closed while it is read. Who waited for a copy that is
// written over a slow line would hold up all readers and writers behind it.
var errCopying = errors.New("a copy of the store is being written at this moment: try again when it has ended")

// rewritten is the path of a rewritten file before it is renamed.
func (s *Store) rewritten() string { return s.path + ".rewriting" }

func (s *Store) rewriteTo(staged string, change func(*rewriting) error) error {
	options := *s.bolt()
	options.NoSync = true // one flush at the end is enough
	return s.view(func(from *bbolt.Tx) error {
		db, err := bbolt.Open(staged, 0o600, &options)
		if err != nil {
			return err
		}
		r := &rewriting{from: from, db: db}
		err = r.all(change)
		if err == nil {
			err = db.Sync()
		}
		return errors.Join(err, db.Close())
	})
}

func (r *rewriting) all(change func(*rewriting) error) (err error) {
	if r.to, err = r.db.Begin(true); err != nil {
		return err
	}
	if err := change(r); err != nil {
		return errors.Join(err, r.to.Rollback())
	}
	return r.to.Commit()
}

// room commits the transaction when it holds much.
func (r *rewriting) room(n int) (err error) {
	if r.size += n; r.size < mostInRewrite {
		return nil
	}
	r.size = 0
	if err := r.to.Commit(); err != nil {
		return err
	}
	r.to, err = r.db.Begin(true)
	return err
}

func (r *rewriting) put(bucket, key, value []byte) error {
	if err := r.room(len(key) + len(value)); err != nil {
		return err
	}
	b := r.to.Bucket(bucket)
	b.FillPercent = 0.9 // they come in order
	return b.Put(key, value)
}

// bucket copies a bucket. change returns the new value of a key, or nil to leave the
// key out; a nil change copies all.
func (r *rewriting) bucket(name []byte, change func(key, value []byte) []byte) error {
	if err := r.begin(name); err != nil {
		return err
	}
	return r.from.Bucket(name).ForEach(func(k, v []byte) error {
		if change != nil {
			v = change(k, v)
		}
		if v == nil {
			return nil
		}
		return r.put(name, k, v)
	})
}

// begin makes a bucket, with the sequence that it has in the old file.
func (r *rewriting) begin(name []byte) error {
	b, err := r.to.CreateBucketIfNotExists(name)
	if err != nil {
		return err
	}
	if old := r.from.Bucket(name); old != nil {
		return b.SetSequence(old.Sequence())
	}
	return nil
}

// buckets copies all buckets except some.
func (r *rewriting) buckets(but ...[]byte) error {
	return r.from.ForEach(func(name []byte, _ *bbolt.Bucket) error {
		for _, other := range but {
			if bytes.Equal(name, other) {
				return nil
			}
		}
		return r.bucket(name, nil)
	})
}

// originOf is the value that a machine's chain begins with: the end of the chain that
// it had in a file of an earlier schema, or zeros.
func originOf(tx *bbolt.Tx, machine string) []byte {
	if b := tx.Bucket(originsBucket); b != nil {
		key := headKey(machine)
		if end, ok := unseal(key, b.Get(key)); ok && len(end) == digestLen {
			return bytes.Clone(end)
		}
	}
	return make([]byte, digestLen)
}

// migrate rewrites a file of an earlier schema in this one, whole or not at all. Each
// chain is made again and begins with the end of the old one, so that a copy of the
// old file can still be compared. A chain that was broken is broken at the same entry.
func (s *Store) migrate() error {
	err := s.rewrite(func(r *rewriting) error {
		u := migration{rewriting: r, ends: map[string]ends{}}
		return u.all()
	}, s.checkpointNext)
	switch {
	case err != nil && full(err):
		return fmt.Errorf("an earlier version wrote the store %s, and the disk has no room to upgrade it: make room and start again; nothing was changed (%w)", s.path, err)
	case err != nil:
		return fmt.Errorf("an earlier version wrote the store %s, and it cannot be upgraded: check the disk, then start again (%w)", s.path, err)
	}
	return nil
}

// migration is the rewriting of a file of an earlier schema.
type migration struct {
	*rewriting
	ends map[string]ends
}

// ends are the ends of a machine's old and new chain.
type ends struct{ old, now []byte }

func (u *migration) all() error {
	for _, name := range [][]byte{entriesBucket, compactedBucket, originsBucket, peopleBucket, namesBucket} {
		if err := u.begin(name); err != nil {
			return err
		}
	}
	if err := u.records(); err != nil {
		return err
	}
	err := u.bucket(headsBucket, func(key, value []byte) []byte {
		machine := string(bytes.TrimSuffix(key, []byte{0}))
		h, err := headOf(machine, value)
		if is := u.ends[machine]; err == nil && bytes.Equal(h.chain, is.old) {
			h.chain = is.now
			return h.bytes(machine)
		}
		return value // it was wrong, and stays so
	})
	if err != nil {
		return err
	}
	// The cache refers to the old chains.
	if err := u.buckets(entriesBucket, compactedBucket, headsBucket, cacheBucket); err != nil {
		return err
	}
	return putSchema(u.to)
}

// records rewrites whole and compacted entries, in the order of their chains.
func (u *migration) records() error {
	var machine string
	var old head
	var now []byte
	for i := range walk(u.from, nil, nil) {
		if p, ok := placeOf(i.key); ok && (now == nil || p.machine != machine) {
			machine, old = p.machine, head{chain: make([]byte, digestLen)}
			if noted, err := headOf(machine, u.from.Bucket(headsBucket).Get(headKey(machine))); err == nil {
				now = noted.chain
			} else {
				now = make([]byte, digestLen)
			}
			key := headKey(machine)
			if err := u.put(originsBucket, key, seal(key, bytes.Clone(now))); err != nil {
				return err
			}
		}
		follows, err := i.advance(&old)
		bucket, value := entriesBucket, i.value
		if i.compacted {
			bucket = compactedBucket
		}
		if err == nil {
			if !follows {
				now = broken()
			}
			if value, now, err = u.item(i, now); err != nil {
				return err
			}
		} else {
			now = old.chain // the chain value as it stands
		}
		if err := u.put(bucket, i.key, value); err != nil {
			return err
		}
		u.ends[machine] = ends{old.chain, now}
	}
	return nil
}

// broken is a chain value that no entry has: what is chained to it follows from
// nothing.
func broken() []byte {
	sum := sha256.Sum256([]byte("not the entry before"))
	return sum[:]
}

// item is the new value of a sound item, and its chain value.
func (u *migration) item(i item, prev []byte) (value, chain []byte, err error) {
	if i.compacted {
		b, err := blockOf(i.key, i.value)
		if err != nil {
			return nil, nil, err
		}
		b.chain = b.chainAfter(prev)
		return b.value(i.key), b.chain, nil
	}
	s, err := parse(i.key, i.value)
	if err != nil {
		return nil, nil, err
	}
	if s.flags &^= flagUsage; bytes.HasPrefix(s.canonical, usagePrefix) {
		s.flags |= flagUsage
	}
	r, err := wire.Record(s.canonical)
	if err == nil { // otherwise this version cannot read it, and it stays as it is
		if err := u.entry(&s, &r); err != nil {
			return nil, nil, err
		}
	}
	value, chain = s.value(i.key, prev)
	return value, chain, nil
}

// entry adds what this schema has and the earlier one had not.
func (u *migration) entry(s *stored, r *drift.Record) error {
	if s.format == formatWhole && r.Type == drift.TypeUsage {
		c := compactedOf(&drift.Entry{Record: *r, Received: s.received}, s.via)
		s.reduced = c.reduced()
	}
	if !r.Personal() {
		return nil
	}
	s.body = identity(r.Identity())
	return peopleOf(u.to).hideIn(s, r)
}
