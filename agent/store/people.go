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

// Who did something is personal data. A record is stored with a pseudonym in the
// place of each name ([drift.Record.People]). The names are in these two buckets,
// from which [Store.Forget] removes one.
//
// The store that first sees a name draws its pseudonym at random. It is not derived
// from the name, not even with a key: somebody who has the store could try names
// until one fits. A hub gets the pseudonym together with the name, so that it knows
// whom to forget later.
//
// People are no part of a record's identity ([drift.Record.Identity]), of its id, or
// of the digests by which two stores are compared. So a record that is sent again is
// a repeat, whether or not the name is still known. That two records differ only in
// the person is noticed as long as the name is known, see [Roster.Same].
//
// The chain covers the stored record, pseudonym included. Forgetting changes no
// record, so chains and digests stay as they were.
//
// Names in free text (extra, reason, other labels) are not covered.
var (
	// pseudonym → change 8 | length 1 | the pseudonym that stands for it | name
	peopleBucket = []byte("people")
	// name → pseudonym; it is there as long as the name is known
	namesBucket = []byte("names")
)

// Person is a pseudonym and the name, "" if it was forgotten. Change is the number of
// its last change.
type Person struct {
	wire.Person
	Change uint64
}

// people are the people whom the records name, in one transaction. A file of an
// earlier schema that is only read has none: its records hold the names.
type people struct {
	Roster
	known, names *bbolt.Bucket
}

func peopleOf(tx *bbolt.Tx) people {
	p := people{known: tx.Bucket(peopleBucket), names: tx.Bucket(namesBucket)}
	p.Lookup = func(pseudonym string) (first, name string, known bool) {
		if p.known == nil {
			return "", "", false
		}
		is, known := personOf([]byte(pseudonym), p.known.Get([]byte(pseudonym)))
		return is.first, is.name, known
	}
	return p
}

// pseudonym is what is stored in the place of a name. A pseudonym is stored as it is.
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

// hideIn puts pseudonyms into the stored form of a record that names people.
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

// person is the stored value of a pseudonym. The name is "" where another pseudonym
// stands for it, and of a forgotten person.
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

// PeopleSince returns the people that have changed after that change, in order of
// changing, at most limit of them: a van reports these to its hub. Forgotten people
// have no name.
func (s *Store) PeopleSince(change uint64, limit int) ([]Person, error) {
	var out []Person
	err := s.view(func(tx *bbolt.Tx) error {
		p := peopleOf(tx)
		if p.known == nil || p.known.Sequence() <= change {
			return nil
		}
		return p.known.ForEach(func(k, v []byte) error {
			if is, ok := personOf(k, v); ok && is.change > change {
				_, name := p.First(string(k))
				out = append(out, Person{wire.Person{Pseudonym: string(k), Name: name}, is.change})
			}
			return nil // Verify reports what is corrupt
		})
	})
	slices.SortFunc(out, func(a, b Person) int { return cmp.Compare(a.Change, b.Change) })
	return out[:min(limit, len(out))], err
}

// corruptPeople counts the corrupt entries of the list of people.
func corruptPeople(tx *bbolt.Tx) int {
	n := 0
	each(tx, peopleBucket, func(k, v []byte) {
		if is, ok := personOf(k, v); !ok || is.name != "" && !bytes.Equal(tx.Bucket(namesBucket).Get([]byte(is.name)), k) {
			n++
		}
	})
	return n
}
