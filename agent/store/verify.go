package store

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/maphash"
	"runtime"
	"strings"
	"time"

	"go.etcd.io/bbolt"
	"golang.org/x/sync/errgroup"
)

// Report is the result of Verify.
type Report struct {
	// Entries counts all entries that were taken, Compacted those of them that were
	// compacted.
	Entries, Compacted, Conflicts, Refused uint64
	Machines                               int
	// First is the first fault, machine by machine in order of taking, or nil. Wrong
	// counts all faults, up to one that stopped the check.
	First *Damage
	Wrong int
	// Unreadable: the file's pages are corrupt, so that reading it may hang or kill
	// the process. Otherwise every fault is reported and the rest can be read.
	Unreadable bool
}

func (r *Report) unreadable(err error) {
	r.Unreadable = true
	r.wrong(Damage{Meaning: fmt.Sprintf("the file's pages are corrupt (%s): restore a backup, or export what can be read", strings.TrimPrefix(err.Error(), "panic: "))})
}

func (r *Report) wrong(d Damage) {
	if r.Wrong++; r.First == nil {
		r.First = &d
	}
}

// VerifyFile verifies a store that no agent has open, without changing it.
func VerifyFile(path string) (Report, error) {
	s, err := Open(path, time.Now, Options{ReadOnly: true})
	if err != nil {
		return Report{}, err
	}
	report, err := s.Verify()
	return report, errors.Join(err, s.Close())
}

// Verify checks the whole store: the pages of the file, the CRC of every entry, the
// chain of each machine, the indexes in both directions and the counts. Faults are in
// the report; an error means that the check could not be done. A file with corrupt
// pages may hang or kill the reader, so a caller that must go on runs Verify in a child
// process with a time limit.
func (s *Store) Verify() (Report, error) {
	var r Report
	err := s.view(func(tx *bbolt.Tx) error {
		if err := s.checkPages(tx); err != nil {
			r.unreadable(err)
			return nil
		}
		st, err := stateOf(tx.Bucket(metaBucket).Get(stateKey))
		if err != nil {
			r.wrong(Damage{Meaning: err.Error()})
			return nil
		}
		v := verifier{tx: tx, report: &r, seed: maphash.MakeSeed(), entries: tx.Bucket(entriesBucket), ids: tx.Bucket(idsBucket),
			order: tx.Bucket(orderBucket), heads: tx.Bucket(headsBucket),
			conflicts: tx.Bucket(conflictsBucket), setups: tx.Bucket(setupsBucket),
			spend: func(bytes int) { s.spend(tx, bytes) }}
		if err := v.walk(); err != nil {
			return err
		}
		v.ends()
		v.indexes(st)
		v.refusals()
		if n := corruptPeople(tx); n > 0 {
			r.wrong(Damage{Meaning: fmt.Sprintf("the list of people is corrupt in %d places: records show a pseudonym in place of a name, or a forgotten name is partly kept", n)})
		}
		r.Refused = st.refused
		return nil
	})
	if errors.Is(err, errDamaged) {
		r.unreadable(err)
		err = nil
	}
	return r, err
}

func (s *Store) checkPages(tx *bbolt.Tx) error {
	defer s.pages(tx).releasing()()
	var first error
	for err := range tx.Check() {
		if first == nil {
			first = err
		}
	}
	return first
}

// verifier checks one state of the store.
type verifier struct {
	tx     *bbolt.Tx
	report *Report

	entries, ids, order, heads, conflicts, setups *bbolt.Bucket

	spend func(bytes int) // see Store.spend

	setupsSeen uint64
	// compactedLast is the last number of a compacted arc count. A file compacts no last
	// entry; one that came from a database may have.
	compactedLast uint64

	// sums stand for what the indexes should hold, see listing.
	seed maphash.Seed
	sums listing
}

// listing stands for the content of the indexes: each field is a sum of hashes with a
// random seed. The order does not matter, and nobody can aim at a collision: the chance
// that two different lists have the same sum is 2⁻⁶⁴. Looking each entry up instead
// would take three times as long as all the rest.
type listing struct{ ids, order, conflicts, setups uint64 }

func (v *verifier) hash(key, value []byte) uint64 {
	var room [256]byte
	return maphash.Bytes(v.seed, append(append(room[:0], key...), value...))
}

func (v *verifier) ref(idKey []byte, p place) uint64 {
	var room [128]byte
	return v.hash(idKey, appendRef(room[:0], p))
}

// stretches is how many parts a walk has for each processor, so that all are busy to
// the end.
const stretches = 8

// walk checks every entry, in stretches of machines, on all processors.
func (v *verifier) walk() error {
	bounds := v.bounds(stretches * runtime.GOMAXPROCS(0))
	parts := make([]verifier, len(bounds)-1)
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for n := range parts {
		part := &parts[n]
		*part = *v
		part.report = &Report{}
		group.Go(func() error {
			return guard(func() error {
				part.stretch(bounds[n], bounds[n+1])
				return nil
			})
		})
	}
	err := group.Wait()
	for n := range parts {
		v.add(&parts[n])
	}
	return err
}

// add adds the result of a part of the walk.
func (v *verifier) add(part *verifier) {
	r, of := v.report, part.report
	r.Entries, r.Compacted, r.Conflicts, r.Machines = r.Entries+of.Entries, r.Compacted+of.Compacted, r.Conflicts+of.Conflicts, r.Machines+of.Machines
	r.Wrong += of.Wrong
	r.First = cmp.Or(r.First, of.First)
	v.setupsSeen += part.setupsSeen
	v.compactedLast = max(v.compactedLast, part.compactedLast)
	v.sums.ids += part.sums.ids
	v.sums.order += part.sums.order
	v.sums.conflicts += part.sums.conflicts
	v.sums.setups += part.sums.setups
}

// bounds are the keys that divide the machines into about so many parts; the first and
// the last are nil.
func (v *verifier) bounds(parts int) [][]byte {
	names := machines(v.tx)
	out := [][]byte{nil}
	step := (len(names) + parts - 1) / parts
	for n := step; n < len(names); n += step {
		out = append(out, headKey(names[n]))
	}
	return append(out, nil)
}

// stretch checks the entries from one key to before another.
func (v *verifier) stretch(from, to []byte) {
	var at place
	var h head // as it should be
	for i := range walk(v.tx, nil, from) {
		v.spend(i.size())
		if to != nil && bytes.Compare(i.key, to) >= 0 {
			break
		}
		p, ok := placeOf(i.key)
		if !ok {
			v.report.wrong(Damage{Meaning: "an entry has an invalid key: the file was edited, or the disk has corrupted it"})
			continue
		}
		if h.chain == nil || p.machine != at.machine {
			v.end(at.machine, h)
			h = head{chain: originOf(v.tx, p.machine)}
			if p.machine != "" { // setups for several machines are kept beside the machines
				v.report.Machines++
			}
		}
		at = p
		if i.compacted {
			v.block(p, i, &h)
		} else {
			v.entry(p, i, &h)
		}
	}
	v.end(at.machine, h)
}

// follow checks the chain of an item, and says whether the item can be read.
func (v *verifier) follow(p place, i item, h *head) bool {
	wrong := func(meaning string) {
		v.report.wrong(Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, Meaning: meaning})
	}
	follows, err := i.advance(h)
	var d *Damage
	switch {
	case errors.As(err, &d):
		wrong(d.Meaning)
	case err != nil:
		wrong(err.Error())
	case !follows:
		wrong("it does not follow from the entry before it: this entry was changed or inserted, or the one before it was changed or removed, after it was stored")
	}
	return err == nil
}

// block checks a block of compacted arc counts.
func (v *verifier) block(p place, i item, h *head) {
	before := h.count
	sound := v.follow(p, i, h)
	v.report.Entries += h.count - before
	v.report.Compacted += h.count - before
	if !sound {
		return
	}
	b, _ := blockOf(i.key, i.value) // follow has just read it
	for n := range b.all {
		if l := &b.all[n]; l.flags&flagUsage == 0 || l.flags&flagConflict != 0 {
			v.report.wrong(Damage{Machine: l.machine, Epoch: l.epoch, Seq: l.seq, Meaning: "its record was removed, and only arc counts are ever compacted"})
		}
		v.sums.ids += v.ref(idKey(b.all[n].id), b.all[n].place)
		v.compactedLast = max(v.compactedLast, b.all[n].seq)
	}
}

// entry checks one entry.
func (v *verifier) entry(p place, i item, h *head) {
	v.report.Entries++
	if !v.follow(p, i, h) {
		return
	}
	wrong := func(meaning string) {
		v.report.wrong(Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, Meaning: meaning})
	}
	e, _ := parse(i.key, i.value) // follow has just read it
	if e.format == formatSummed && (e.flags&flagUsage != 0) != bytes.HasPrefix(e.canonical, usagePrefix) {
		wrong("its mark for compaction does not match its type")
	}
	listed := v.hash(p.appendOrder(nil), []byte(p.machine))
	v.sums.ids += v.ref(e.idKey, p)
	v.sums.order += listed
	switch {
	case e.flags&flagConflict != 0:
		v.report.Conflicts++
		v.sums.conflicts += listed
	case bytes.HasPrefix(e.canonical, setupPrefix):
		v.setupsSeen++
		v.sums.setups += listed
	}
}

// unlisted reports the entries that are missing in the indexes, once it is known that
// some are.
func (v *verifier) unlisted() {
	for i := range walk(v.tx, nil, nil) {
		if b, err := blockOf(i.key, i.value); i.compacted && err == nil {
			for n := range b.all {
				v.lookUp(b.all[n].place, idKey(b.all[n].id))
			}
		}
		p, _ := placeOf(i.key)
		e, err := parse(i.key, i.value)
		if i.compacted || err != nil {
			continue
		}
		lists := []*bbolt.Bucket{v.order}
		switch {
		case e.flags&flagConflict != 0:
			lists = append(lists, v.conflicts)
		case bytes.HasPrefix(e.canonical, setupPrefix):
			lists = append(lists, v.setups)
		}
		v.lookUp(p, e.idKey, lists...)
	}
}

func (v *verifier) lookUp(p place, idKey []byte, lists ...*bbolt.Bucket) {
	wrong := func(meaning string) {
		v.report.wrong(Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, Meaning: meaning})
	}
	if places, ok := refsOf(v.ids.Get(idKey)); !ok || !contains(places, p) {
		wrong("the index of ids does not list it: if it is sent again, it is stored twice")
	}
	for _, list := range lists {
		if machine := list.Get(p.appendOrder(nil)); machine == nil || string(machine) != p.machine {
			wrong("the order of taking, or of conflicts or setups, does not list it")
		}
	}
}

// The beginning of the canonical form of every record of a type.
var (
	setupPrefix = []byte(`{"type":"setup"`)
	usagePrefix = []byte(`{"type":"usage"`)
)

func contains(places []place, p place) bool {
	for _, q := range places {
		if q == p {
			return true
		}
	}
	return false
}

// end compares a machine's last entry with the stored head.
func (v *verifier) end(machine string, is head) {
	if is.chain == nil {
		return
	}
	noted, err := headOf(machine, v.heads.Get(headKey(machine)))
	switch {
	case err != nil:
		v.report.wrong(Damage{Machine: machine, Meaning: "the stored end of its chain is corrupt"})
	case noted.count != is.count || noted.epoch != is.epoch || noted.seq != is.seq || !bytes.Equal(noted.chain, is.chain):
		v.report.wrong(Damage{Machine: machine, Epoch: is.epoch, Seq: is.seq,
			Meaning: fmt.Sprintf("it is the last of %d, but entry %d/%d was stored as the last of %d: entries were removed or inserted", is.count, noted.epoch, noted.seq, noted.count)})
	case noted.conflicts != is.conflicts:
		v.report.wrong(Damage{Machine: machine, Meaning: "its count of conflicts is wrong"})
	}
}

// ends looks for machines that have a head and no entries.
func (v *verifier) ends() {
	c := v.heads.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		v.spend(onePage)
		if under(v.entries, k, k).key == nil && under(v.tx.Bucket(compactedBucket), k, k).key == nil {
			v.report.wrong(Damage{Machine: string(bytes.TrimSuffix(k, []byte{0})), Meaning: "all its entries were removed"})
		}
	}
}

// indexes compares the indexes with the entries: their sums show that every entry is
// in each, their sizes that nothing else is.
func (v *verifier) indexes(st state) {
	expect := func(what string, is, should uint64) {
		if is != should {
			v.report.wrong(Damage{Meaning: fmt.Sprintf("%s %d, but there are %d", what, is, should)})
		}
	}
	var is listing
	var refs, last uint64
	c := v.ids.Cursor()
	for k, r := c.First(); k != nil; k, r = c.Next() {
		v.spend(len(k) + len(r))
		places, _ := refsOf(r)
		refs += uint64(len(places))
		for _, p := range places {
			is.ids += v.ref(k, p)
		}
	}
	var orders, conflicts, setups uint64
	is.order, orders = v.list(v.order)
	is.conflicts, conflicts = v.list(v.conflicts)
	is.setups, setups = v.list(v.setups)
	if is != v.sums {
		v.unlisted()
	}
	if k, _ := v.order.Cursor().Last(); len(k) == 16 {
		last = max(binary.BigEndian.Uint64(k[8:]), v.compactedLast)
	}
	expect("the store counted entries up to", st.seq-gapsOf(v.tx), v.report.Entries)
	expect("the index of ids lists", refs, v.report.Entries)
	expect("the order of taking lists", orders, v.report.Entries-v.report.Compacted)
	expect("the store counted compacted arc counts up to", compactedCount(v.tx), v.report.Compacted)
	expect("the last number in the order of taking is", last, st.seq)
	expect("the list of conflicts holds", conflicts, v.report.Conflicts)
	expect("the store counted conflicts up to", st.conflicts, v.report.Conflicts)
	expect("the list of setups holds", setups, v.setupsSeen)
}

// list adds up the hashes of a list and counts it.
func (v *verifier) list(b *bbolt.Bucket) (sum, n uint64) {
	c := b.Cursor()
	for k, machine := c.First(); k != nil; k, machine = c.Next() {
		v.spend(len(k) + len(machine))
		sum += v.hash(k, machine)
		n++
	}
	return sum, n
}

// refusals checks the stored refusals and their counts.
func (v *verifier) refusals() {
	c := v.tx.Bucket(refusedBucket).Cursor()
	for k, sealed := c.First(); k != nil; k, sealed = c.Next() {
		if _, err := refusalOf(k, sealed); err != nil {
			v.report.wrong(Damage{Meaning: "the list of refused records is corrupt"})
		}
	}
	c = v.tx.Bucket(countsBucket).Cursor()
	for k, sealed := c.First(); k != nil; k, sealed = c.Next() {
		if _, ok := countOf(k, sealed); !ok {
			v.report.wrong(Damage{Meaning: "the counts of refused records are corrupt"})
		}
	}
}
