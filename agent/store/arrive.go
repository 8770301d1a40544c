package store

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// Arrive makes a file at path, with a store's name, of everything that another store keeps:
// what leave.go reads, the other way. The whole of it or nothing is there: until move has
// ended and every record was checked, the file is FILE.arriving, and what an earlier try left
// of that is removed. The error is move's, a [*Damage], or the file system's; a file at path
// is never replaced. Numbers and chains stay as they are. A database of several processes
// leaves numbers out, and the file then has the same gaps.
func Arrive(path, name string, now func() time.Time, move func(*Arrival) error) error {
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		return errors.Join(fmt.Errorf("%s is there already: name a file that is not there", path), err)
	}
	seen, err := readCheckpoint(path)
	if err != nil {
		return err
	}
	staged := path + ".arriving"
	if err := os.Remove(staged); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	defer os.Remove(staged) // no longer there once it was renamed
	if err := arrive(staged, name, now, move); err != nil {
		return err
	}
	report, err := VerifyFile(staged)
	switch {
	case err != nil:
		return err
	case report.First != nil:
		return report.First
	}
	return install(staged, path, seen, now())
}

func arrive(staged, name string, now func() time.Time, move func(*Arrival) error) error {
	s := &Store{path: staged, now: now, options: Options{Lock: time.Second}}
	if err := s.connect(); err != nil {
		return err
	}
	s.db.NoSync = true // one flush at the end is enough
	a := &Arrival{rewriting: &rewriting{db: s.db}}
	err := guard(func() error {
		return a.all(func(*rewriting) error {
			if err := a.to.Bucket(metaBucket).Put(nameKey, []byte(name)); err != nil {
				return err
			}
			return move(a)
		})
	})
	if err == nil {
		err = s.db.Sync()
	}
	return errors.Join(err, s.db.Close())
}

// Arrival takes what a file is made of: the machines one after the other (Begin, Keep, End),
// and at the end the Rest.
type Arrival struct {
	*rewriting
	machine       string
	head          head
	run           block  // compacted arc counts that are not written yet
	last          uint64 // the highest number
	entries, gone uint64
	conflicts     uint64
}

// Begin begins a machine, "" for setups of several, whose first entry follows origin; nil
// for none.
func (a *Arrival) Begin(machine string, origin []byte) error {
	a.machine, a.head = machine, head{chain: make([]byte, digestLen)}
	if origin == nil {
		return nil
	}
	a.head.chain = bytes.Clone(origin)
	if _, err := a.to.CreateBucketIfNotExists(originsBucket); err != nil {
		return err
	}
	key := headKey(machine)
	return a.put(originsBucket, key, seal(key, bytes.Clone(origin)))
}

// Keep keeps the next entry of the machine. The error is a [*Damage] if it cannot be read or
// does not follow from the one before.
func (a *Arrival) Keep(k Kept) error {
	follows, err := k.item().advance(&a.head)
	if err == nil && (!follows || k.Machine != a.machine) {
		err = &Damage{Machine: k.Machine, Epoch: k.Epoch, Seq: k.Seq, Meaning: "it does not follow from the entry before it"}
	}
	if err != nil {
		return err
	}
	a.entries, a.last = a.entries+1, max(a.last, k.Seq)
	refs := bytes.Clone(a.to.Bucket(idsBucket).Get(k.ID))
	if err := a.put(idsBucket, k.ID, appendRef(refs, k.place())); err != nil {
		return err
	}
	if k.Whole == nil {
		return a.compacted(&k)
	}
	if err := a.flush(); err != nil {
		return err
	}
	e, flags, err := decode(k.place().key(), k.Whole)
	if err != nil {
		return err
	}
	order := k.place().appendOrder(nil)
	err = errors.Join(a.put(entriesBucket, k.place().key(), k.Whole), a.put(orderBucket, order, []byte(k.Machine)))
	switch {
	case flags&flagConflict != 0:
		a.conflicts++
		return errors.Join(err, a.put(conflictsBucket, order, []byte(k.Machine)))
	case e.Type == drift.TypeSetup:
		err = errors.Join(err, a.put(setupsBucket, order, []byte(k.Machine)))
	}
	a.head.counter = a.head.counter.Next(&e)
	return err
}

// compacted adds a compacted arc count to the block that is written next.
func (a *Arrival) compacted(k *Kept) error {
	l, err := k.compacted()
	if err != nil {
		return err
	}
	if n := len(a.run.all); n == mostInBlock || n > 0 && a.run.all[0].epoch != l.epoch {
		if err := a.flush(); err != nil {
			return err
		}
	}
	e := l.entry()
	a.head.counter = a.head.counter.Next(&e)
	a.run.all, a.run.chain = append(a.run.all, *l), a.head.chain
	a.gone++
	return nil
}

func (a *Arrival) flush() error {
	if len(a.run.all) == 0 {
		return nil
	}
	key := a.run.all[0].key()
	value := a.run.value(key)
	a.run = block{}
	return a.put(compactedBucket, key, value)
}

// End ends the machine and returns where its chain stands.
func (a *Arrival) End() (Head, error) {
	if err := a.flush(); err != nil {
		return Head{}, err
	}
	h := &a.head
	ended := Head{Machine: a.machine, Entries: h.count, Epoch: h.epoch, Seq: h.seq, Chain: hex.EncodeToString(h.chain)}
	return ended, a.put(headsBucket, headKey(a.machine), h.bytes(a.machine))
}

// Rest is what a store keeps beside its entries.
type Rest struct {
	Epoch     uint64 // the last that was given
	People    []KnownPerson
	Refusals  []NumberedRefusal
	Counts    map[string]uint64 // of refusals, by RefusalCountKey
	Refused   uint64            // distinct refusals so far
	Changes   struct{ People, Refusals uint64 }
	State     []byte
	Outcomes  [][]byte
	Waiting   []OutboxItem // those of a queue in order
	Settled   []SettledItem
	Positions map[string]Cursor // how far the receipts of each hub go
}

// NumberedRefusal is a refusal with its number in the list.
type NumberedRefusal struct {
	ChangedRefusal
	Number uint64
}

// Rest keeps what is not an entry.
func (a *Arrival) Rest(r *Rest) error {
	for _, keep := range []func(*Rest) error{a.people, a.refusals, a.decisions, a.meta} {
		if err := keep(r); err != nil {
			return err
		}
	}
	return nil
}

func (a *Arrival) people(r *Rest) error {
	for _, p := range r.People {
		if p.Name != "" {
			if err := a.put(namesBucket, []byte(p.Name), []byte(p.Pseudonym)); err != nil {
				return err
			}
		}
		key := []byte(p.Pseudonym)
		if err := a.put(peopleBucket, key, person{p.Change, p.First, p.Name}.bytes(key)); err != nil {
			return err
		}
	}
	return a.to.Bucket(peopleBucket).SetSequence(r.Changes.People)
}

func (a *Arrival) refusals(r *Rest) error {
	for i := range r.Refusals {
		key := binary.BigEndian.AppendUint64(nil, r.Refusals[i].Number)
		raw, err := json.Marshal(r.Refusals[i].ChangedRefusal)
		if err == nil {
			err = errors.Join(a.put(refusedBucket, key, seal(key, raw)), a.put(seenBucket, RefusalMark(&r.Refusals[i].Refusal), key))
		}
		if err != nil {
			return err
		}
	}
	for key, n := range r.Counts {
		if err := a.put(countsBucket, []byte(key), seal([]byte(key), binary.BigEndian.AppendUint64(nil, n))); err != nil {
			return err
		}
	}
	return errors.Join(a.to.Bucket(refusedBucket).SetSequence(r.Changes.Refusals), a.to.Bucket(countsBucket).SetSequence(uint64(len(r.Counts))))
}

func (a *Arrival) decisions(r *Rest) error {
	if r.State == nil && len(r.Outcomes)+len(r.Waiting)+len(r.Settled) == 0 {
		return nil
	}
	if err := decide(a.to, r.State, r.Outcomes, r.Waiting); err != nil {
		return err
	}
	keys, err := a.to.CreateBucketIfNotExists(itemKeysBucket)
	for _, d := range r.Settled {
		if err == nil {
			err = keys.Put([]byte(d.Key), settledNote(d.Key, d.Time))
		}
	}
	return err
}

// meta notes how far the numbers go, and the cursors.
func (a *Arrival) meta(r *Rest) error {
	meta := a.to.Bucket(metaBucket)
	st := state{epoch: r.Epoch, seq: a.last, conflicts: a.conflicts, refused: r.Refused}
	err := errors.Join(meta.Put(stateKey, st.bytes()), a.to.Bucket(compactedBucket).SetSequence(a.gone))
	if gaps := a.last - a.entries; gaps > 0 {
		err = errors.Join(err, meta.Put(gapsKey, seal(gapsKey, binary.BigEndian.AppendUint64(nil, gaps))))
	}
	for name, c := range r.Positions {
		key := cursorKey(name)
		err = errors.Join(err, meta.Put(key, c.bytes(key)))
	}
	return err
}

var gapsKey = []byte("gaps")

// gapsOf is how many numbers up to the last belong to no entry. A file gives every number;
// these come from a database of several processes.
func gapsOf(tx *bbolt.Tx) uint64 {
	n, _ := countOf(gapsKey, tx.Bucket(metaBucket).Get(gapsKey)) // Verify notices a corrupt one
	return n
}

// Sparse says whether numbers have gaps although nothing is missing, see agent/forward.
func (s *Store) Sparse() bool {
	gaps := uint64(0)
	err := s.view(func(tx *bbolt.Tx) error {
		gaps = gapsOf(tx)
		return nil
	})
	return err == nil && gaps > 0
}
