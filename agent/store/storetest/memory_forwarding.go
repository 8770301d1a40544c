package storetest

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// people are the pseudonyms and names of a store in memory.
type people struct {
	all     []store.Person
	first   map[string]string // pseudonym → the one that stands for it
	changes uint64
}

// of is the person that the pseudonym stands for, nil if it is not known.
func (p *people) of(pseudonym string) *store.Person {
	first, known := p.first[pseudonym]
	at := slices.IndexFunc(p.all, func(one store.Person) bool { return one.Pseudonym == first })
	if !known || at < 0 {
		return nil
	}
	return &p.all[at]
}

// named is the person of that name, nil if there is none.
func (p *people) named(name string) *store.Person {
	at := slices.IndexFunc(p.all, func(one store.Person) bool { return one.Name == name && p.first[one.Pseudonym] == one.Pseudonym })
	if name == "" || at < 0 {
		return nil
	}
	return &p.all[at]
}

// pseudonym is what is kept in the place of a name.
func (p *people) pseudonym(name string) string {
	if name == "" || drift.IsPseudonym(name) {
		return name
	}
	if known := p.named(name); known != nil {
		return known.Pseudonym
	}
	// A number in letters: a store for tests needs no chance.
	code := strings.Map(func(c rune) rune { return 'a' + c - '0' }, fmt.Sprintf("%016d", len(p.all)))
	made := drift.PseudonymPrefix + code
	p.learn(made, name)
	return made
}

// learn keeps what a pseudonym stands for, unless it is known; "" is a person who
// was forgotten.
func (p *people) learn(pseudonym, name string) {
	if _, known := p.first[pseudonym]; known {
		return
	}
	if p.first == nil {
		p.first = map[string]string{}
	}
	p.first[pseudonym] = pseudonym
	if other := p.named(name); other != nil {
		p.first[pseudonym] = other.Pseudonym
	}
	p.changes++
	p.all = append(p.all, store.Person{Person: wire.Person{Pseudonym: pseudonym, Name: name}, Change: p.changes})
}

// shown is the name of a pseudonym that is kept, or the pseudonym that stands for it.
func (p *people) shown(kept string) string {
	one := p.of(kept)
	switch {
	case one == nil:
		return kept
	case one.Name == "":
		return one.Pseudonym
	}
	return one.Name
}

// same says whether what is kept and what came name the same person. What is kept
// of somebody forgotten may have been any name.
func (p *people) same(kept, came string) bool {
	one := p.of(kept)
	switch {
	case kept == came || kept == "" || came == "":
		return kept == came
	case drift.IsPseudonym(came):
		other := p.of(came)
		return one != nil && other != nil && one.Pseudonym == other.Pseudonym
	}
	return one == nil || one.Name == "" || one.Name == came
}

// SincePseudonymous is as [store.Store.SincePseudonymous].
func (m *Memory) SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return atMost(limit, m.hidden(after(epoch, seq))), nil
}

// PeopleSince is as [store.Store.PeopleSince].
func (m *Memory) PeopleSince(change uint64, limit int) ([]store.Person, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []store.Person
	for _, one := range m.people.all {
		if one.Change > change {
			one.Name = m.people.of(one.Pseudonym).Name
			out = append(out, one)
		}
	}
	slices.SortFunc(out, func(a, b store.Person) int { return cmp.Compare(a.Change, b.Change) })
	return out[:min(limit, len(out))], nil
}

// Learn is as [store.Store.Learn].
func (m *Memory) Learn(reported []wire.Person) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, one := range reported {
		if known := m.people.of(one.Pseudonym); one.Name == "" && known != nil {
			m.forget(known)
		} else {
			m.people.learn(one.Pseudonym, one.Name)
		}
	}
	return nil
}

// Forget is as [store.Store.Forget]; it finds a name in plain bytes only.
func (m *Memory) Forget(name string) (pseudonym string, err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	one := m.people.named(name)
	if one == nil {
		return "", &drift.Problem{Reason: fmt.Sprintf("no record names %q", name)}
	}
	m.forget(one)
	return one.Pseudonym, nil
}

func (m *Memory) forget(one *store.Person) {
	name, pseudonym := []byte(one.Name), []byte(one.Pseudonym)
	if len(name) == 0 {
		return
	}
	m.people.changes++
	one.Name, one.Change = "", m.people.changes
	d := &m.decided
	d.state = bytes.ReplaceAll(d.state, name, pseudonym)
	for i := range d.outcomes {
		d.outcomes[i] = bytes.ReplaceAll(d.outcomes[i], name, pseudonym)
	}
	for i := range d.waiting {
		d.waiting[i].Body = bytes.ReplaceAll(d.waiting[i].Body, name, pseudonym)
	}
	for i := range m.refusals {
		m.refusals[i].Raw = bytes.ReplaceAll(m.refusals[i].Raw, name, []byte("(forgotten)"))
	}
}

// RefusalsSince is as [store.Store.RefusalsSince].
func (m *Memory) RefusalsSince(change uint64, limit int) ([]store.ChangedRefusal, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	out := slices.DeleteFunc(slices.Clone(m.refusals), func(r store.ChangedRefusal) bool { return r.Change <= change })
	slices.SortFunc(out, func(a, b store.ChangedRefusal) int { return cmp.Compare(a.Change, b.Change) })
	return out[:min(limit, len(out))], nil
}

// Cursor is as [store.Store.Cursor].
func (m *Memory) Cursor(name string) (store.Cursor, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.cursors[name], nil
}

// SetCursor is as [store.Store.SetCursor].
func (m *Memory) SetCursor(name string, c store.Cursor) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.cursors == nil {
		m.cursors = map[string]store.Cursor{}
	}
	m.cursors[name] = c
	return nil
}

// Cached is as [store.Store.Cached].
func (m *Memory) Cached(name string) ([]byte, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return bytes.Clone(m.cached[name]), nil
}

// PutCached is as [store.Store.PutCached].
func (m *Memory) PutCached(values map[string][]byte) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.cached == nil {
		m.cached = map[string][]byte{}
	}
	maps.Copy(m.cached, values)
	return nil
}

// After is as [store.Store.After]. A link is a hash over what stands before it.
func (m *Memory) After(machine string, link []byte) (entries []drift.Entry, last []byte, err error) {
	all, err := m.History(machine)
	from := -1
	if link == nil {
		from = 0
	}
	sum := sha256.Sum256([]byte(machine))
	for i := range all {
		sum = sha256.Sum256(append(sum[:], all[i].Identity()...))
		if last = bytes.Clone(sum[:]); from < 0 && bytes.Equal(last, link) {
			from = i + 1
		}
	}
	if from < 0 {
		return nil, nil, err
	}
	return all[from:], last, err
}

// Digests is as [store.Store.Digests].
func (m *Memory) Digests() (map[string]store.Digest, error) {
	sums := map[string][]string{}
	for _, e := range m.pick(func(*kept) bool { return true }) {
		sums[e.Machine] = append(sums[e.Machine], fmt.Sprint(e.Identity(), e.Received.UnixNano()))
	}
	out := map[string]store.Digest{}
	for machine, of := range sums {
		out[machine] = digest(of)
	}
	return out, nil
}

// RefusedDigest is as [store.Store.RefusedDigest].
func (m *Memory) RefusedDigest() (store.Digest, error) {
	all, err := m.Refusals("", 0)
	var sums []string
	for i := range all {
		raw, err := json.Marshal(all[i])
		if err != nil {
			return store.Digest{}, err
		}
		sums = append(sums, string(raw))
	}
	return digest(sums), err
}

func digest(sums []string) store.Digest {
	slices.Sort(sums)
	sum := sha256.Sum256([]byte(strings.Join(sums, "\n")))
	return store.Digest{Records: uint64(len(sums)), Sum: hex.EncodeToString(sum[:])}
}
