package store

import (
	"bytes"
	"errors"
	"slices"
	"time"

	"arcdrift/drift"
)

// A store in another engine keeps the same bytes as the file, so that chains, digests
// and what counts as a repeat are the same in both, and a store can move from one to the
// other. This file is the part of the format that both use.

// Prepared is an entry with all that can be computed before it is stored.
type Prepared struct{ prepared }

// Prepare prepares entries, large batches on all processors. Every entry must have its
// id.
func Prepare(entries []drift.Entry) []Prepared {
	ready := prepareAll(entries)
	out := make([]Prepared, len(ready))
	for i := range ready {
		out[i] = Prepared{ready[i]}
	}
	return out
}

// People are the names of people in the record, or the pseudonyms that it came with.
func (p *Prepared) People() []string { return p.people }

// Former considers the id that another version of the program would have given the
// record, which depended on the names.
func (p *Prepared) Former(r Roster) {
	if slices.ContainsFunc(p.people, drift.IsPseudonym) {
		named := p.WithPeople(r.Shown)
		p.former(&named)
	}
}

// Key stands for the record's id; Other for the one that another version of the program
// would have given it, nil if it is the same. Both are 16 bytes.
func (p *Prepared) Key() []byte   { return p.id }
func (p *Prepared) Other() []byte { return p.other }

// Counter is the machine's arc counter after this entry.
func (p *Prepared) Counter(before drift.Counter) drift.Counter { return before.Next(p.Entry) }

// IDKey stands for an id: the first 16 bytes of its SHA-256.
func IDKey(id string) []byte { return idKey(id) }

// Kept is an entry as every store keeps it.
type Kept struct {
	Machine    string
	Epoch, Seq uint64
	// ID is the key of its id, see [IDKey].
	ID []byte
	// Whole is the entry as a file keeps it, nil if it was compacted. Reduced is, of an
	// arc count, what compaction leaves of it: a block of one.
	Whole, Reduced []byte
}

// Keep is the entry as it is kept under the next number of its machine, after the entry
// with the chain prev, and the new chain. pseudonym returns what stands for a name.
func (p *Prepared) Keep(epoch, seq uint64, prev []byte, conflict bool, pseudonym func(name string) string) (k Kept, chain []byte) {
	s := p.stored(conflict)
	record := &p.Record
	if p.people != nil {
		hidden := p.WithPeople(pseudonym)
		s.flags |= flagPerson
		s.canonical = hidden.AppendCanonical(nil)
		record = &hidden
	}
	at := place{p.Machine, epoch, seq}
	key := at.key()
	k = Kept{Machine: p.Machine, Epoch: epoch, Seq: seq, ID: p.id}
	k.Whole, chain = s.value(key, prev)
	if s.flags&flagUsage != 0 && !conflict && reducible(record, s.received) {
		k.Reduced = reducedBlock(at, &s, record, chain)
	}
	return k, chain
}

// reducible says whether a block can hold the arc count.
func reducible(r *drift.Record, received time.Time) bool {
	if r.Counts.Known() {
		return false // a person has said whether it counts
	}
	// A clock that is off by centuries does not fit.
	return r.Time.IsZero() || received.Add(r.Time.Sub(received)).Equal(r.Time)
}

// reducedBlock is the block of one that compaction leaves of an arc count.
func reducedBlock(at place, s *stored, r *drift.Record, chain []byte) []byte {
	e := drift.Entry{Record: *r, Received: s.received}
	l := compactedOf(&e, s.via)
	l.place, l.flags, l.body, l.sum = at, s.flags, s.body, s.sum()
	if s.flags&flagPerson != 0 {
		l.shared = sharedOf(r, s.received, s.flags)
	}
	b := block{all: []compactedEntry{l}, chain: chain}
	return b.value(at.key())
}

func (k *Kept) place() place { return place{k.Machine, k.Epoch, k.Seq} }

// item is the entry as a step of a walk through a file.
func (k *Kept) item() item {
	if k.Whole != nil {
		return item{key: k.place().key(), value: k.Whole}
	}
	return item{key: k.place().key(), value: k.Reduced, compacted: true}
}

// Conflict says whether its id had another record of the machine. The error is a
// [*Damage].
func (k *Kept) Conflict() (bool, error) {
	if k.Whole == nil {
		return false, nil // a conflict is never compacted
	}
	s, err := parse(k.place().key(), k.Whole)
	return s.flags&flagConflict != 0, err
}

// Entry decodes it, with the pseudonyms in the place of names. The error is a
// [*Damage].
func (k *Kept) Entry() (drift.Entry, error) {
	if k.Whole != nil {
		e, _, err := decode(k.place().key(), k.Whole)
		return e, err
	}
	l, err := k.compacted()
	if err != nil {
		return drift.Entry{}, err
	}
	return l.entry(), nil
}

func (k *Kept) compacted() (*compactedEntry, error) {
	b, err := blockOf(k.place().key(), k.Reduced)
	if err != nil {
		return nil, err
	}
	return &b.all[0], nil
}

// Exact says whether Entry is the whole record: compaction has removed nothing of it.
func (k *Kept) Exact() bool {
	if k.Whole != nil {
		return true
	}
	l, err := k.compacted()
	return err == nil && l.whole()
}

// Matches says whether a record that came is this one, and whether this one is a
// conflict. An entry that cannot be read matches nothing.
func (k *Kept) Matches(p *Prepared, r Roster) (same, conflict bool) {
	if k.Whole == nil {
		l, err := k.compacted()
		return err == nil && l.sameBody(&p.prepared), false
	}
	s, err := parse(k.place().key(), k.Whole)
	return err == nil && bytes.Equal(s.body, p.body) && r.samePeople(&s, &p.prepared), s.flags&flagConflict != 0
}

// Next is the chain after the entry, and whether it follows from the one before. Of a
// corrupt entry it is the chain as it stands, with a [*Damage].
func (k *Kept) Next(prev []byte) (chain []byte, follows bool, err error) {
	h := head{chain: prev}
	follows, err = k.item().advance(&h)
	if err == nil && k.Whole != nil && k.Reduced != nil {
		follows = follows && k.reducedFollows(prev, h.chain)
	}
	return h.chain, follows, err
}

// reducedFollows says whether what compaction would leave stands for the same entry.
func (k *Kept) reducedFollows(prev, chain []byte) bool {
	h := head{chain: prev}
	bare := *k
	bare.Whole = nil
	follows, err := bare.item().advance(&h)
	return err == nil && follows && bytes.Equal(h.chain, chain)
}

// Link is what [Store.After] returns as the link of the entry: epoch, seq and chain. It
// is nil if the entry is corrupt.
func (k *Kept) Link() []byte {
	i := k.item()
	if !i.compacted {
		return linkOf(i.key, i.value)
	}
	b, err := blockOf(i.key, i.value)
	if err != nil {
		return nil
	}
	return append(k.place().appendOrder(nil), b.chain...)
}

// Sum stands for the record in a digest, see [DigestOf].
func (k *Kept) Sum() ([]byte, error) {
	sums, err := k.item().sums()
	if err != nil {
		return nil, err
	}
	if len(sums) != 1 {
		return nil, errors.New("an entry has not one sum")
	}
	return sums[0], nil
}
