package store

import (
	"slices"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Roster finds who a pseudonym is. Lookup returns the pseudonym that stands for the
// person, to whom several stores may have given one each, and the name; the name is ""
// if another pseudonym stands for the person, and of a forgotten person.
type Roster struct {
	Lookup func(pseudonym string) (first, name string, known bool)
}

// First is the pseudonym that stands for a person, and the name.
func (r Roster) First(pseudonym string) (first, name string) {
	is, name, known := r.Lookup(pseudonym)
	if !known || is == pseudonym {
		return pseudonym, name
	}
	_, name, _ = r.Lookup(is)
	return is, name
}

// Shown is the name of a stored pseudonym or, if it is not known, the pseudonym that
// stands for the person. Other text is unchanged.
func (r Roster) Shown(kept string) string {
	if !drift.IsPseudonym(kept) {
		return kept
	}
	first, name := r.First(kept)
	if name == "" {
		return first
	}
	return name
}

// Show puts the names into entries.
func (r Roster) Show(entries []drift.Entry) {
	for i := range entries {
		entries[i].Record = entries[i].WithPeople(r.Shown)
	}
}

// Same says whether a stored value and a new one name the same person. A forgotten
// person may have had any name.
func (r Roster) Same(kept, came string) bool {
	if kept == came || kept == "" || came == "" {
		return kept == came
	}
	first, name := r.First(kept)
	if drift.IsPseudonym(came) {
		other, _ := r.First(came)
		return first == other
	}
	return name == "" || name == came
}

// samePeople says whether two records that are otherwise the same name the same
// people.
func (r Roster) samePeople(is *stored, e *prepared) bool {
	if is.flags&flagPerson == 0 || e.people == nil {
		return is.flags&flagPerson == 0 && e.people == nil
	}
	record, err := wire.Record(is.canonical)
	return err == nil && slices.EqualFunc(record.People(), e.people, r.Same)
}
