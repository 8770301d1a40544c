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

// rewriting copies a store into a new file, in which nothing is left of what it
// leaves out: the pages of the old one keep what was deleted until they are used
// again. The new file takes the place of the old one by its renaming, so that all of
// the change is done or nothing.
type rewriting struct {
	from *bbolt.Tx
	db   *bbolt.DB
	to   *bbolt.Tx // ends when it holds much
	size int
}

// mostInRewrite bounds what one transaction of a rewriting holds in memory.
const mostInRewrite = 4 << 20

// rewrite puts a rewritten copy in the place of the store's file, once foresee has
// seen it. The caller is the writer.
func (s *Store) rewrite(change func(*rewriting) error, foresee func(staged string) error) error {
	staged := s.rewritten()
	if err := os.Remove(staged); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	defer os.Remove(staged) // gone once it has its name
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

// rewritten is where a rewritten file lies before it is renamed.
func (s *Store) rewritten() string { return s.path + ".rewriting" }

func (s *Store) rewriteTo(staged string, change func(*rewriting) error) error {
	options := *s.bolt()
	options.NoSync = true // until all is there
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

// room ends the transaction when it holds much.
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

// bucket copies a bucket; what change returns takes the place of a value, nil leaves
// it out.
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

// begin makes a bucket that the old file has too.
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

// buckets copies all buckets but some.
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

// originOf is where a machine's chain begins: at the end of the one that it had in a
// file of an earlier schema, or nowhere.
func originOf(tx *bbolt.Tx, machine string) []byte {
	if b := tx.Bucket(originsBucket); b != nil {
		key := headKey(machine)
		if end, ok := unseal(key, b.Get(key)); ok && len(end) == digestLen {
			return bytes.Clone(end)
		}
	}
	return make([]byte, digestLen)
}

// bringUp rewrites a file of an earlier schema with pseudonyms in the place of names,
// all or nothing. Its chains are made anew, each beginning at the end of the old one,
// so that a copy of the old file can still be held against it. What was wrong with
// an old chain is wrong with the new one, at the same entry.
func (s *Store) bringUp() error {
	err := s.rewrite(func(r *rewriting) error {
		u := bringing{rewriting: r, ends: map[string]ends{}}
		return u.all()
	}, s.witnessNext)
	switch {
	case err != nil && full(err):
		return fmt.Errorf("the store %s is of an earlier version and the disk has no room to bring it to this one: make room and start again, nothing was changed (%w)", s.path, err)
	case err != nil:
		return fmt.Errorf("the store %s is of an earlier version and cannot be brought to this one: look at the disk, then start again (%w)", s.path, err)
	}
	return nil
}

// bringing is the rewriting of a file of an earlier schema.
type bringing struct {
	*rewriting
	ends map[string]ends
}

// ends are those of a machine's chain, as it was and as it is now.
type ends struct{ old, now []byte }

func (u *bringing) all() error {
	for _, name := range [][]byte{entriesBucket, thinnedBucket, originsBucket, peopleBucket, namesBucket} {
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
		return value // it was wrong and is
	})
	if err != nil {
		return err
	}
	// What was worked out from the records is by their old chains.
	if err := u.buckets(entriesBucket, thinnedBucket, headsBucket, keptBucket); err != nil {
		return err
	}
	return putSchema(u.to)
}

// records rewrites entries and what is left of thinned ones, along their chains.
func (u *bringing) records() error {
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
		follows, err := i.pass(&old)
		bucket, value := entriesBucket, i.value
		if i.thinned {
			bucket = thinnedBucket
		}
		if err == nil {
			if !follows {
				now = broken()
			}
			if value, now, err = u.item(i, now); err != nil {
				return err
			}
		} else {
			now = old.chain // it is passed by its bytes
		}
		if err := u.put(bucket, i.key, value); err != nil {
			return err
		}
		u.ends[machine] = ends{old.chain, now}
	}
	return nil
}

// broken is the end of no chain: what follows it follows from nothing.
func broken() []byte {
	sum := sha256.Sum256([]byte("not the entry before"))
	return sum[:]
}

// item is a sound item as it is kept now.
func (u *bringing) item(i item, prev []byte) (value, chain []byte, err error) {
	if i.thinned {
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
	if err == nil { // else this version cannot read it, and it stays as it is
		if err := u.entry(&s, &r); err != nil {
			return nil, nil, err
		}
	}
	value, chain = s.value(i.key, prev)
	return value, chain, nil
}

// entry gives a record what this schema has more.
func (u *bringing) entry(s *stored, r *drift.Record) error {
	if s.format == formatWhole && r.Type == drift.TypeUsage {
		left := leftOf(&drift.Entry{Record: *r, Received: s.received}, s.via)
		s.told = left.told()
	}
	if !r.Personal() {
		return nil
	}
	s.body = identity(r.Identity())
	return peopleOf(u.to).hideIn(s, r)
}
