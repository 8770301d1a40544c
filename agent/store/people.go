package store

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"encoding/binary"
	"slices"
	"strings"

	"go.etcd.io/bbolt"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Who did it is personal data. A record is kept with a pseudonym in the place of
// each name ([drift.Record.People]), and the names lie in these two buckets, out of
// which [Store.Forget] takes one.
//
// A pseudonym is drawn at random by the store that first meets the name. It is not
// made from the name, not even with a key: whoever has the store could else try
// names until one fits. It goes along to a hub, together with the name, so that the
// hub, once told to forget it, knows whom it has to forget.
//
// What makes records the same, their ids, and the digests that two stores are
// compared by, leave people out ([drift.Record.Identity]). A record that is sent
// again is therefore a repeat whatever became of the name; that two records differ
// in the person only is found out as long as the name is known, see [people.same].
//
// The chain covers the record as it is kept, pseudonym included. Forgetting changes
// no record: chains, digests and backups made later stay as they were.
//
// Not covered are names in texts that are free: extra, reason, and any other label.
var (
	// pseudonym → change 8 | length 1 | the pseudonym that stands for it | name
	peopleBucket = []byte("people")
	// name → pseudonym; it is there as long as the name is known
	namesBucket = []byte("names")
)

// Person is a pseudonym and, unless it was forgotten, the name. Change is the number
// of its last change.
type Person struct {
	wire.Person
	Change uint64
}

// people are those that the records name, in a transaction. In a file of an earlier
// schema, which is only read, there are none: its records hold the names.
type people struct{ known, names *bbolt.Bucket }

func peopleOf(tx *bbolt.Tx) people {
	return people{tx.Bucket(peopleBucket), tx.Bucket(namesBucket)}
}

// first is the pseudonym that stands for a person of whom several stores have made
// one, and the name.
func (p people) first(pseudonym string) (first, name string) {
	if p.known == nil {
		return pseudonym, ""
	}
	is, ok := personOf([]byte(pseudonym), p.known.Get([]byte(pseudonym)))
	if !ok || is.first == pseudonym {
		return pseudonym, is.name
	}
	of, _ := personOf([]byte(is.first), p.known.Get([]byte(is.first)))
	return is.first, of.name
}

// shown is what is shown in the place of what is kept: the name, as long as it is
// known.
func (p people) shown(kept string) string {
	if !drift.IsPseudonym(kept) {
		return kept
	}
	first, name := p.first(kept)
	if name == "" {
		return first
	}
	return name
}

// show puts the names into entries.
func (p people) show(entries []drift.Entry) {
	for i := range entries {
		entries[i].Record = entries[i].WithPeople(p.shown)
	}
}

// same says whether what is kept and what came name the same person. What is kept
// of somebody forgotten may have been any name.
func (p people) same(kept, came string) bool {
	if kept == came || kept == "" || came == "" {
		return kept == came
	}
	first, name := p.first(kept)
	if drift.IsPseudonym(came) {
		other, _ := p.first(came)
		return first == other
	}
	return name == "" || name == came
}

// pseudonym is what is kept in the place of a name. One that came as a pseudonym is
// kept as it is.
func (p people) pseudonym(name string) (string, error) {
	if name == "" || drift.IsPseudonym(name) {
		return name, nil
	}
	if known := p.names.Get([]byte(name)); known != nil {
		return string(known), nil
	}
	made := drift.PseudonymPrefix + strings.ToLower(rand.Text()[:16])
	return made, p.learn(made, name)
}

// hideIn puts pseudonyms into a record that names people, as it is kept.
func (p people) hideIn(s *stored, r *drift.Record) error {
	var failed error
	kept := r.WithPeople(func(name string) string {
		pseudonym, err := p.pseudonym(name)
		if err != nil {
			failed = err
		}
		return pseudonym
	})
	s.flags |= flagPerson
	s.canonical = kept.AppendCanonical(nil)
	return failed
}

// learn keeps a pseudonym with its name. Once it is known nothing changes it but
// forgetting. If the name has another pseudonym, that stands for both.
func (p people) learn(pseudonym, name string) error {
	if p.known.Get([]byte(pseudonym)) != nil {
		return nil
	}
	is := person{first: pseudonym, name: name}
	if other := p.names.Get([]byte(name)); other != nil {
		is = person{first: string(other)}
	} else if err := p.names.Put([]byte(name), []byte(pseudonym)); err != nil {
		return err
	}
	return p.put(pseudonym, is)
}

func (p people) put(pseudonym string, is person) error {
	change, err := p.known.NextSequence()
	if err != nil {
		return err
	}
	is.change = change
	return p.known.Put([]byte(pseudonym), is.bytes([]byte(pseudonym)))
}

// person is what is kept of a pseudonym; name is "" where another stands for it,
// and of somebody forgotten.
type person struct {
	change      uint64
	first, name string
}

func (p person) bytes(key []byte) []byte {
	b := binary.BigEndian.AppendUint64(nil, p.change)
	b = append(append(b, byte(len(p.first))), p.first...)
	return seal(key, append(b, p.name...))
}

func personOf(key, sealed []byte) (person, bool) {
	b, ok := unseal(key, sealed)
	if !ok || len(b) < 9 || len(b) < 9+int(b[8]) {
		return person{}, false
	}
	end := 9 + int(b[8])
	return person{binary.BigEndian.Uint64(b), string(b[9:end]), string(b[end:])}, true
}

// PeopleSince returns what has changed among the pseudonyms after that change, in
// order of changing, at most limit of them: what a van tells its hub. Those that
// were forgotten come without a name.
func (s *Store) PeopleSince(change uint64, limit int) ([]Person, error) {
	var out []Person
	err := s.view(func(tx *bbolt.Tx) error {
		p := peopleOf(tx)
		if p.known == nil || p.known.Sequence() <= change {
			return nil
		}
		return p.known.ForEach(func(k, v []byte) error {
			if is, ok := personOf(k, v); ok && is.change > change {
				_, name := p.first(string(k))
				out = append(out, Person{wire.Person{Pseudonym: string(k), Name: name}, is.change})
			}
			return nil // what is spoilt is verify's to name
		})
	})
	slices.SortFunc(out, func(a, b Person) int { return cmp.Compare(a.Change, b.Change) })
	return out[:min(limit, len(out))], err
}

// spoiltPeople counts what is not as it was written.
func spoiltPeople(tx *bbolt.Tx) int {
	n := 0
	each(tx, peopleBucket, func(k, v []byte) {
		if is, ok := personOf(k, v); !ok || is.name != "" && !bytes.Equal(tx.Bucket(namesBucket).Get([]byte(is.name)), k) {
			n++
		}
	})
	return n
}
