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

// Report is what Verify found.
type Report struct {
	// Entries counts all that were taken, Compacted those of them of which only
	// the sum is left.
	Entries, Compacted, Conflicts, Refused uint64
	Machines                               int
	// First is the first thing wrong, machine by machine in order of taking, or
	// nil; Wrong counts them all, up to the one that stopped the check.
	First *Damage
	Wrong int
	// Unreadable: the file's pages are spoilt, so that reading it may hang or kill.
	// Without that, whatever is wrong is named and read around.
	Unreadable bool
}

func (r *Report) unreadable(err error) {
	r.Unreadable = true
	r.wrong(Damage{Meaning: fmt.Sprintf("the file's pages are spoilt (%s): bring back a backup, or export what can be read", strings.TrimPrefix(err.Error(), "panic: "))})
}

func (r *Report) wrong(d Damage) {
	if r.Wrong++; r.First == nil {
		r.First = &d
	}
}

// VerifyFile verifies a store that no agent holds, without changing it.
func VerifyFile(path string) (Report, error) {
	s, err := Open(path, time.Now, Options{ReadOnly: true})
	if err != nil {
		return Report{}, err
	}
	report, err := s.Verify()
	return report, errors.Join(err, s.Close())
}

// Verify checks the whole record: the pages of the file, every entry's CRC, each
// machine's chain to its end, the indexes both ways and the counts. What is
// wrong is in the report; an error means that the check could not be done. A
// file whose pages are spoilt may hang or kill the reader: a caller that cannot
// afford that runs Verify in a child process with a time limit.
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
		if n := spoiltPeople(tx); n > 0 {
			r.wrong(Damage{Meaning: fmt.Sprintf("the list of people is spoilt in %d places: their records show a pseudonym, or a name is forgotten by half", n)})
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

// verifier walks one state of the store.
type verifier struct {
	tx     *bbolt.Tx
	report *Report

	entries, ids, order, heads, conflicts, setups *bbolt.Bucket

	spend func(bytes int) // see Store.spend

	setupsSeen uint64

	// sums are what the indexes should hold, see listing.
	seed maphash.Seed
	sums listing
}

// listing stands for what is in the indexes, each a sum of hashes, the seed
// drawn anew, so that neither order nor intent matters: that two lists differ and
// their sums do not has a chance of 2⁻⁶⁴. To look each entry up would take three
// times as long as all the rest.
type listing struct{ ids, order, conflicts, setups uint64 }

func (v *verifier) hash(key, value []byte) uint64 {
	var room [256]byte
	return maphash.Bytes(v.seed, append(append(room[:0], key...), value...))
}

func (v *verifier) ref(idKey []byte, p place) uint64 {
	var room [128]byte
	return v.hash(idKey, appendRef(room[:0], p))
}

// stretches is how many parts a walk has for each processor, so that none waits
// long for another.
const stretches = 8

// walk checks every entry, in stretches of machines on all processors.
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

// add adds what a part of the walk has found.
func (v *verifier) add(part *verifier) {
	r, of := v.report, part.report
	r.Entries, r.Compacted, r.Conflicts, r.Machines = r.Entries+of.Entries, r.Compacted+of.Compacted, r.Conflicts+of.Conflicts, r.Machines+of.Machines
	r.Wrong += of.Wrong
	r.First = cmp.Or(r.First, of.First)
	v.setupsSeen += part.setupsSeen
	v.sums.ids += part.sums.ids
	v.sums.order += part.sums.order
	v.sums.conflicts += part.sums.conflicts
	v.sums.setups += part.sums.setups
}

// bounds are keys between which lie about so many parts of the machines; the
// first and the last are nil, for all that is outside.
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
			v.report.wrong(Damage{Meaning: "an entry has a key that is none: the file was edited or spoilt"})
			continue
		}
		if h.chain == nil || p.machine != at.machine {
			v.end(at.machine, h)
			h = head{chain: originOf(v.tx, p.machine)}
			if p.machine != "" { // setups of more than one machine lie beside the machines
				v.report.Machines++
			}
		}
		at = p
		if i.thinned {
			v.block(p, i, &h)
		} else {
			v.entry(p, i, &h)
		}
	}
	v.end(at.machine, h)
}

// follow moves the chain on, and says whether there is more to be checked.
func (v *verifier) follow(p place, i item, h *head) bool {
	wrong := func(meaning string) {
		v.report.wrong(Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, Meaning: meaning})
	}
	follows, err := i.pass(h)
	var d *Damage
	switch {
	case errors.As(err, &d):
		wrong(d.Meaning)
	case err != nil:
		wrong(err.Error())
	case !follows:
		wrong("it does not follow from the entry before it: this entry was changed or put in, or the one before it changed or taken out, after it was kept")
	}
	return err == nil
}

// block checks what is left of thinned arc counts.
func (v *verifier) block(p place, i item, h *head) {
	before := h.count
	sound := v.follow(p, i, h)
	v.report.Entries += h.count - before
	v.report.Compacted += h.count - before
	if !sound {
		return
	}
	b, _ := blockOf(i.key, i.value) // it has just been read
	for n := range b.all {
		if l := &b.all[n]; l.flags&flagUsage == 0 || l.flags&flagConflict != 0 {
			v.report.wrong(Damage{Machine: l.machine, Epoch: l.epoch, Seq: l.seq, Meaning: "its record was taken out, and only arc counts are ever thinned"})
		}
		v.sums.ids += v.ref(idKey(b.all[n].id), b.all[n].place)
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
	e, _ := parse(i.key, i.value) // it has just been read
	if e.format == formatSummed && (e.flags&flagUsage != 0) != bytes.HasPrefix(e.canonical, usagePrefix) {
		wrong("it says of itself that it may be thinned, or not, and its type says otherwise")
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

// unlisted names the entries that the indexes do not lead to, once it is known
// that there are some.
func (v *verifier) unlisted() {
	for i := range walk(v.tx, nil, nil) {
		if b, err := blockOf(i.key, i.value); i.thinned && err == nil {
			for n := range b.all {
				v.lookUp(b.all[n].place, idKey(b.all[n].id))
			}
		}
		p, _ := placeOf(i.key)
		e, err := parse(i.key, i.value)
		if i.thinned || err != nil {
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
		wrong("the index of ids does not lead to it: sending it again would keep it twice")
	}
	for _, list := range lists {
		if machine := list.Get(p.appendOrder(nil)); machine == nil || string(machine) != p.machine {
			wrong("the order of taking, or of conflicts or setups, does not list it")
		}
	}
}

// How the canonical form of every record of a type begins.
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

// end holds a machine's last entry against the note kept of it.
func (v *verifier) end(machine string, is head) {
	if is.chain == nil {
		return
	}
	noted, err := headOf(machine, v.heads.Get(headKey(machine)))
	switch {
	case err != nil:
		v.report.wrong(Damage{Machine: machine, Meaning: "the note of its last entry is spoilt"})
	case noted.count != is.count || noted.epoch != is.epoch || noted.seq != is.seq || !bytes.Equal(noted.chain, is.chain):
		v.report.wrong(Damage{Machine: machine, Epoch: is.epoch, Seq: is.seq,
			Meaning: fmt.Sprintf("it is the last of %d, but entry %d/%d was kept as the last of %d: entries were taken out or put in", is.count, noted.epoch, noted.seq, noted.count)})
	case noted.conflicts != is.conflicts:
		v.report.wrong(Damage{Machine: machine, Meaning: "its count of conflicts is wrong"})
	}
}

// ends looks for machines that are noted and have no entries left.
func (v *verifier) ends() {
	c := v.heads.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		v.spend(onePage)
		if first, _ := v.entries.Cursor().Seek(k); !bytes.HasPrefix(first, k) { // some are always whole
			v.report.wrong(Damage{Machine: string(bytes.TrimSuffix(k, []byte{0})), Meaning: "all its entries were taken out"})
		}
	}
}

// indexes holds the indexes against the entries: that every entry is in each, by
// their sums, and by their sizes that nothing else is.
func (v *verifier) indexes(st state) {
	expect := func(what string, is, should uint64) {
		if is != should {
			v.report.wrong(Damage{Meaning: fmt.Sprintf("%s %d, and there are %d", what, is, should)})
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
		last = binary.BigEndian.Uint64(k[8:])
	}
	expect("the store counted entries up to", st.seq, v.report.Entries)
	expect("the index of ids leads to", refs, v.report.Entries)
	expect("the order of taking lists", orders, v.report.Entries-v.report.Compacted)
	expect("the store counted thinned arc counts up to", thinnedCount(v.tx), v.report.Compacted)
	expect("the last number in the order of taking is", last, st.seq)
	expect("the list of conflicts holds", conflicts, v.report.Conflicts)
	expect("the store counted conflicts up to", st.conflicts, v.report.Conflicts)
	expect("the list of setups holds", setups, v.setupsSeen)
}

// list sums up a list by epoch and seq and counts it.
func (v *verifier) list(b *bbolt.Bucket) (sum, n uint64) {
	c := b.Cursor()
	for k, machine := c.First(); k != nil; k, machine = c.Next() {
		v.spend(len(k) + len(machine))
		sum += v.hash(k, machine)
		n++
	}
	return sum, n
}

// refusals checks what was kept of refused offers.
func (v *verifier) refusals() {
	c := v.tx.Bucket(refusedBucket).Cursor()
	for k, sealed := c.First(); k != nil; k, sealed = c.Next() {
		if _, err := refusalOf(k, sealed); err != nil {
			v.report.wrong(Damage{Meaning: "the list of refused records is spoilt"})
		}
	}
	c = v.tx.Bucket(countsBucket).Cursor()
	for k, sealed := c.First(); k != nil; k, sealed = c.Next() {
		if _, ok := countOf(k, sealed); !ok {
			v.report.wrong(Damage{Meaning: "the counts of refused records are spoilt"})
		}
	}
}
