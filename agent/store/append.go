package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"arcdrift/agent/intake"
	"arcdrift/drift"
)

// retryAfter is how long a store that failed to write waits before it checks
// itself again.
const retryAfter = 30 * time.Second

// Append implements [intake.Store]. The error is ErrFull while there is no
// room, ErrUnsure from a failed write until the store has been copied afresh
// and checked, which Append itself tries every half minute.
func (s *Store) Append(entries []drift.Entry, refusals []intake.Refusal) ([]intake.Placed, error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	switch {
	case s.options.ReadOnly:
		return nil, ErrReadOnly
	case s.db == nil:
		return nil, errors.New("the store is closed")
	case s.unsure != nil:
		if err := s.comeBack(); err != nil {
			return nil, err
		}
	}
	var placed []intake.Placed
	epoch := s.epoch
	err := guard(func() error {
		return s.db.Update(func(tx *bbolt.Tx) error {
			w, err := beginWriting(tx, epoch)
			if err != nil {
				return err
			}
			if placed, err = w.keep(entries, refusals); err != nil {
				return err
			}
			epoch = w.state.epoch
			return w.finish()
		})
	})
	switch {
	case err == nil:
		s.epoch = epoch
		s.committed()
		return placed, nil
	case full(err):
		return nil, fmt.Errorf("%w (%w)", ErrFull, err)
	}
	s.unsure, s.tried = err, s.now()
	return nil, fmt.Errorf("%w (%w)", ErrUnsure, err)
}

// writer is one transaction that keeps entries.
type writer struct {
	meta, entries, ids, order, headsB, conflicts, setups *bbolt.Bucket
	refused, seen, counts                                *bbolt.Bucket

	state state
	heads map[string]*head
}

func beginWriting(tx *bbolt.Tx, epoch uint64) (*writer, error) {
	w := &writer{
		meta: tx.Bucket(metaBucket), entries: tx.Bucket(entriesBucket), ids: tx.Bucket(idsBucket),
		order: tx.Bucket(orderBucket), headsB: tx.Bucket(headsBucket), conflicts: tx.Bucket(conflictsBucket),
		setups: tx.Bucket(setupsBucket), refused: tx.Bucket(refusedBucket), seen: tx.Bucket(seenBucket),
		counts: tx.Bucket(countsBucket), heads: map[string]*head{},
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

func (w *writer) keep(entries []drift.Entry, refusals []intake.Refusal) ([]intake.Placed, error) {
	placed := make([]intake.Placed, len(entries))
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
		if err := w.headsB.Put(headKey(machine), h.bytes()); err != nil {
			return err
		}
	}
	return w.meta.Put(stateKey, w.state.bytes())
}

// entry keeps one entry, unless it is there.
func (w *writer) entry(e *drift.Entry) (intake.Placed, error) {
	body, id := identity(&e.Record), idKey(e.ID)
	refs := bytes.Clone(w.ids.Get(id))
	there, known, err := w.find(refs, body)
	if err != nil || known {
		return there, err
	}
	h, err := w.head(e.Machine)
	if err != nil {
		return intake.Placed{}, err
	}
	w.state.seq++
	p := place{e.Machine, w.state.epoch, w.state.seq}
	var flags byte
	if len(refs) > 0 {
		flags |= flagConflict
	}
	if e.PossibleRepeat {
		flags |= flagRepeat
	}
	key, order := p.key(), p.appendOrder(nil)
	value, chain := appendValue(nil, key, h.chain, e, flags, body)
	h.epoch, h.seq, h.chain = p.epoch, p.seq, chain
	h.count++
	err = errors.Join(
		w.entries.Put(key, value),
		w.order.Put(order, []byte(e.Machine)),
		w.ids.Put(id, appendRef(refs, p)))
	switch {
	case flags&flagConflict != 0:
		h.conflicts++
		w.state.conflicts++
		err = errors.Join(err, w.conflicts.Put(order, []byte(e.Machine)))
	default:
		h.counter = h.counter.Next(e)
		if e.Type == drift.TypeSetup {
			err = errors.Join(err, w.setups.Put(order, []byte(e.Machine)))
		}
	}
	return intake.Placed{Epoch: p.epoch, Seq: p.seq, Conflict: flags&flagConflict != 0}, err
}

// find looks among the entries of one id for the body.
func (w *writer) find(refs, body []byte) (intake.Placed, bool, error) {
	places, ok := refsOf(refs)
	if !ok {
		return intake.Placed{}, false, &Damage{Meaning: "the index of ids is spoilt"}
	}
	for _, p := range places {
		key := p.key()
		e, err := parse(key, w.entries.Get(key))
		if err != nil {
			return intake.Placed{}, false, err
		}
		if bytes.Equal(e.body, body) {
			return intake.Placed{Epoch: p.epoch, Seq: p.seq, Duplicate: true, Conflict: e.flags&flagConflict != 0}, true, nil
		}
	}
	return intake.Placed{}, false, nil
}

func (w *writer) head(machine string) (*head, error) {
	if h, ok := w.heads[machine]; ok {
		return h, nil
	}
	h, err := headOf(machine, w.headsB.Get(headKey(machine)))
	if err != nil {
		return nil, err
	}
	w.heads[machine] = &h
	return &h, nil
}

// headKey is the machine and 0x00, as a setup of another scope has no machine
// and a key cannot be empty.
func headKey(machine string) []byte { return append([]byte(machine), 0) }

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
