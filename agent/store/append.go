package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// retryAfter is how long a store waits before it tries again what failed: to check
// itself after a failed write, or to make a new reserve.
const retryAfter = 30 * time.Second

// Append stores the entries, in this order, and the refusals in one transaction. It
// returns one Placement for each entry when all are durable; with an error nothing
// may be acknowledged. Every entry must have its id; the entries given are not
// changed. The error is ErrFull while there is no room, ErrUnsure from a failed write
// until the store has been copied and checked, which Append itself tries every half
// minute.
func (s *Store) Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error) {
	ready := prepareAll(entries)
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return nil, err
	}
	if err := s.degradedErr(); err != nil {
		return nil, err
	}
	var placed []drift.Placement
	epoch := s.epoch
	err := s.commit(func(tx *bbolt.Tx) error {
		w, err := beginWriting(tx, epoch)
		if err != nil {
			return err
		}
		if placed, err = w.keep(ready, refusals); err != nil {
			return err
		}
		if len(w.heads) == 0 && len(refusals) == 0 {
			return errNothingNew
		}
		epoch = w.state.epoch
		return w.finish()
	})
	switch {
	case errors.Is(err, errNothingNew):
		return placed, nil
	case err != nil:
		return nil, err
	}
	s.epoch = epoch
	s.committed()
	return placed, nil
}

// mayWrite is why nothing can be written now, or nil. The caller is the writer.
func (s *Store) mayWrite() error {
	switch {
	case s.options.ReadOnly:
		return ErrReadOnly
	case s.closed:
		return errors.New("the store is closed")
	case s.unsure != nil:
		return s.comeBack()
	}
	return nil
}

// commit runs f in a transaction that is durable when commit returns nil. The
// caller is the writer.
func (s *Store) commit(f func(*bbolt.Tx) error) error {
	committing := false
	err := guard(func() error {
		return s.db.Update(func(tx *bbolt.Tx) error {
			err := f(tx)
			committing = err == nil
			return err
		})
	})
	switch {
	case err == nil:
		return nil
	case !committing:
		return fmt.Errorf("nothing was kept: %w", err)
	default:
		return s.failed(err)
	}
}

// failed is the error of a failed commit. Unless only room was missing, nobody knows
// what the disk holds, and the store takes nothing more until it was checked.
func (s *Store) failed(err error) error {
	if full(err) {
		return fmt.Errorf("%w (%w)", ErrFull, err)
	}
	s.tried = s.now()
	s.setErrors(err, s.checkpointErr)
	return fmt.Errorf("%w (%w)", ErrUnsure, err)
}

// errNothingNew ends a transaction that has only repeats: it needs no flush.
var errNothingNew = errors.New("nothing new")

// prepared is an entry with all that can be computed before the transaction.
type prepared struct {
	*drift.Entry
	id, body, reduced, canonical []byte
	people                       []string
	// named is the identity with the names of people, other the id that another
	// version of the program would have given the record; both nil where they are the
	// same as now.
	named, other []byte
}

// usualRecord is what the canonical form of most records fits into.
const usualRecord = 512

// prepareAll prepares large batches on all processors: it is half the work of an
// import.
func prepareAll(entries []drift.Entry) []prepared {
	const share = 64
	out := make([]prepared, len(entries))
	prepare := func(from, to int) {
		for i := from; i < to; i++ {
			e := &entries[i]
			out[i] = prepared{Entry: e, id: idKey(e.ID), body: identity(e.Identity()), canonical: e.AppendCanonical(make([]byte, 0, usualRecord))}
			if e.Personal() {
				out[i].people = e.People()
				out[i].former(&e.Record)
			}
			if e.Type == drift.TypeUsage {
				c := compactedOf(e, shortVia(e))
				out[i].reduced = c.reduced()
			}
		}
	}
	workers := min(runtime.GOMAXPROCS(0), len(entries)/share)
	if workers < 2 {
		prepare(0, len(entries))
		return out
	}
	var wait sync.WaitGroup
	for n := range workers {
		wait.Go(func() { prepare(n*len(entries)/workers, (n+1)*len(entries)/workers) })
	}
	wait.Wait()
	return out
}

// former sets named and other of an entry whose record r has the people's names.
func (e *prepared) former(r *drift.Record) {
	bare, named := r.Identity(), r.NamedIdentity()
	e.named = identity(named)
	switch e.ID {
	case bare:
		e.other = idKey(named)
	case named:
		e.other = idKey(bare)
	}
}

// stored is the entry as it is stored, with the names that it came with.
func (e *prepared) stored(conflict bool) stored {
	var flags byte
	if e.Type == drift.TypeUsage {
		flags |= flagUsage
	}
	if conflict {
		flags |= flagConflict
	}
	if e.PossibleRepeat {
		flags |= flagRepeat
	}
	return stored{flags: flags, received: e.Received, via: shortVia(e.Entry), idKey: e.id, body: e.body, reduced: e.reduced, canonical: e.canonical}
}

// writer is one transaction that stores entries.
type writer struct {
	tx *bbolt.Tx

	meta, entries, compacted, ids, order, notes, conflicts, setups *bbolt.Bucket
	refused, seen, counts                                          *bbolt.Bucket
	people                                                         people

	state state
	heads map[string]*head
}

func beginWriting(tx *bbolt.Tx, epoch uint64) (*writer, error) {
	w := &writer{
		tx:   tx,
		meta: tx.Bucket(metaBucket), entries: tx.Bucket(entriesBucket), compacted: tx.Bucket(compactedBucket), ids: tx.Bucket(idsBucket),
		order: tx.Bucket(orderBucket), notes: tx.Bucket(headsBucket), conflicts: tx.Bucket(conflictsBucket),
		setups: tx.Bucket(setupsBucket), refused: tx.Bucket(refusedBucket), seen: tx.Bucket(seenBucket),
		counts: tx.Bucket(countsBucket), people: peopleOf(tx), heads: map[string]*head{},
	}
	var err error
	if w.state, err = stateOf(w.meta.Get(stateKey)); err != nil {
		return nil, err
	}
	if epoch == 0 {
		epoch = w.state.epoch + 1
	}
	w.state.epoch = max(w.state.epoch, epoch)
	return w, nil
}

func (w *writer) keep(entries []prepared, refusals []drift.Refusal) ([]drift.Placement, error) {
	placed := make([]drift.Placement, len(entries))
	for i := range entries {
		var err error
		if placed[i], err = w.entry(&entries[i]); err != nil {
			return nil, err
		}
	}
	for i := range refusals {
		if err := w.refuse(&refusals[i]); err != nil {
			return nil, err
		}
	}
	return placed, nil
}

// finish writes what the entries changed.
func (w *writer) finish() error {
	for machine, h := range w.heads {
		if err := w.notes.Put(headKey(machine), h.bytes(machine)); err != nil {
			return err
		}
	}
	return w.meta.Put(stateKey, w.state.bytes())
}

// entry stores one entry, unless it is there already.
func (w *writer) entry(e *prepared) (drift.Placement, error) {
	refs := bytes.Clone(w.ids.Get(e.id))
	own := w.places(e.id, e.Machine)
	if there, known := w.find(own, e); known {
		return there, nil
	}
	if slices.ContainsFunc(e.people, drift.IsPseudonym) {
		named := e.WithPeople(w.people.Shown)
		e.former(&named)
	}
	if there, known := w.find(w.places(e.other, e.Machine), e); known {
		return there, nil
	}
	h := w.head(e.Machine)
	w.state.seq++
	p := place{e.Machine, w.state.epoch, w.state.seq}
	kept := e.stored(len(own) > 0)
	flags := kept.flags
	if e.people != nil {
		if err := w.people.hideIn(&kept, &e.Record); err != nil {
			return drift.Placement{}, err
		}
	}
	key, order := p.key(), p.appendOrder(nil)
	value, chain := kept.value(key, h.chain)
	h.epoch, h.seq, h.chain = p.epoch, p.seq, chain
	h.count++
	err := errors.Join(
		w.entries.Put(key, value),
		w.order.Put(order, []byte(e.Machine)),
		w.ids.Put(e.id, appendRef(refs, p)))
	switch {
	case flags&flagConflict != 0:
		h.conflicts++
		w.state.conflicts++
		err = errors.Join(err, w.conflicts.Put(order, []byte(e.Machine)))
	default:
		h.counter = h.counter.Next(e.Entry)
		if e.Type == drift.TypeSetup {
			err = errors.Join(err, w.setups.Put(order, []byte(e.Machine)))
		}
	}
	return drift.Placement{Epoch: p.epoch, Seq: p.seq, Conflict: flags&flagConflict != 0}, err
}

// placesOf are the places that belong to the machine. An id names a record of one
// machine: a sender for another machine cannot claim it.
func placesOf(all []place, machine string) []place {
	return slices.DeleteFunc(all, func(p place) bool { return p.machine != machine })
}

// places are where the entries of an id and a machine are; none where the index
// cannot be read.
func (w *writer) places(id []byte, machine string) []place {
	if id == nil {
		return nil
	}
	all, _ := refsOf(bytes.Clone(w.ids.Get(id)))
	return placesOf(all, machine)
}

// find looks for the same record among the entries of one id and machine. An entry
// that cannot be read cannot be compared: the new record is then a conflict.
func (w *writer) find(places []place, e *prepared) (drift.Placement, bool) {
	for _, p := range places {
		key := p.key()
		value := w.entries.Get(key)
		if value == nil {
			if l, ok := compactedAt(w.compacted, p); ok && l.sameBody(e) {
				return drift.Placement{Epoch: p.epoch, Seq: p.seq, Duplicate: true}, true
			}
			continue
		}
		is, err := parse(key, value)
		if err == nil && bytes.Equal(is.body, e.body) && w.people.samePeople(&is, e) {
			return drift.Placement{Epoch: p.epoch, Seq: p.seq, Duplicate: true, Conflict: is.flags&flagConflict != 0}, true
		}
	}
	return drift.Placement{}, false
}

// head is where the machine's chain ends. A corrupt head is made again from the
// entries, so that the damage of one machine does not stop the others.
func (w *writer) head(machine string) *head {
	if h, ok := w.heads[machine]; ok {
		return h
	}
	h, err := headOf(machine, w.notes.Get(headKey(machine)))
	if err != nil {
		h = w.recount(machine)
	}
	w.heads[machine] = &h
	return &h
}

func (w *writer) recount(machine string) head {
	h := head{chain: originOf(w.tx, machine)}
	for i := range walk(w.tx, headKey(machine), nil) {
		_, _ = i.advance(&h)    // Verify reports what is wrong
		known, _ := i.entries() // a corrupt entry has no counter
		for n := range known {
			h.counter = h.counter.Next(&known[n])
		}
	}
	return h
}

// A reference in bucket ids is epoch, seq, length of the machine's name, name.
func appendRef(refs []byte, p place) []byte {
	refs = p.appendOrder(refs)
	refs = append(refs, byte(len(p.machine)))
	return append(refs, p.machine...)
}

func refsOf(refs []byte) ([]place, bool) {
	var out []place
	for len(refs) > 0 {
		if len(refs) < 17 || len(refs) < 17+int(refs[16]) {
			return nil, false
		}
		end := 17 + int(refs[16])
		out = append(out, place{string(refs[17:end]), binary.BigEndian.Uint64(refs), binary.BigEndian.Uint64(refs[8:])})
		refs = refs[end:]
	}
	return out, true
}
