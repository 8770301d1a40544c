package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"go.etcd.io/bbolt"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Forgotten replaces the name in the bytes of a refusal. It is the same in every
// store, so that the list of a van and that of its hub stay the same.
const Forgotten = "(forgotten)"

// Forget removes a person's name from the store for good and returns the pseudonym
// that is shown in its place from now on. Records, chains and digests stay as they
// are, and so does what counts as a repeat. Refusals, decisions and the outbox lose
// the name where it is a word of its own. The file is rewritten, so that no page of it
// holds the name; writers wait until that is done, and after a kill meanwhile the
// store is as before. In a new record the same name is a new person. Copies elsewhere,
// such as earlier backups and quarantine/, keep the name. The error is a
// [*drift.Problem] if nobody has the name, otherwise as those of Append.
func (s *Store) Forget(name string) (pseudonym string, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return "", err
	}
	var near string
	err = s.view(func(tx *bbolt.Tx) error {
		names := tx.Bucket(namesBucket)
		if pseudonym = string(names.Get([]byte(name))); pseudonym != "" {
			return nil
		}
		var all []string
		err := names.ForEach(func(k, _ []byte) error {
			all = append(all, string(k))
			return nil
		})
		near = drift.NearestOf(name, all)
		return err
	})
	switch {
	case err != nil:
		return "", err
	case pseudonym == "" && near != "":
		return "", &drift.Problem{Reason: fmt.Sprintf("no record names %q; did you mean %q?", name, near)}
	case pseudonym == "":
		return "", &drift.Problem{Reason: fmt.Sprintf("no record names %q", name)}
	}
	return pseudonym, s.forget([]string{name})
}

// Learn stores what a forwarding agent reports of the pseudonyms in its records: their
// names, and whom it has forgotten. Those are then forgotten here too.
func (s *Store) Learn(reported []wire.Person) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.mayWrite(); err != nil {
		return err
	}
	var gone []string
	err := s.commit(func(tx *bbolt.Tx) error {
		p := peopleOf(tx)
		for _, one := range reported {
			if one.Name != "" {
				if err := p.learn(one.Pseudonym, one.Name); err != nil {
					return err
				}
				continue
			}
			if _, name := p.First(one.Pseudonym); name != "" && !slices.Contains(gone, name) {
				gone = append(gone, name)
			}
			if p.known.Get([]byte(one.Pseudonym)) == nil {
				if err := p.put(one.Pseudonym, person{first: one.Pseudonym}); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil || len(gone) == 0 {
		return err
	}
	return s.forget(gone)
}

// forget rewrites the file without these names. The caller is the writer.
func (s *Store) forget(names []string) error {
	err := s.rewrite(func(r *rewriting) error {
		f := forgetting{rewriting: r, names: names}
		return f.all()
	}, func(string) error { return nil }) // the chains match the checkpoint
	switch {
	case s.unsure != nil:
		return fmt.Errorf("the store's file was rewritten, and could not be opened again: %w", err)
	case err != nil && full(err):
		return fmt.Errorf("%w: to forget a person, the disk needs as much free room as the store has; nothing was changed (%w)", ErrFull, err)
	case err != nil:
		return fmt.Errorf("nobody was forgotten: %w", err)
	}
	return nil
}

// forgetting is the rewriting of a file without some names.
type forgetting struct {
	*rewriting
	names []string
}

func (f *forgetting) all() error {
	changed := [][]byte{peopleBucket, namesBucket, refusedBucket, seenBucket, decisionBucket, outcomesBucket, outboxBucket}
	if err := f.buckets(changed...); err != nil {
		return err
	}
	if err := f.people(); err != nil {
		return err
	}
	if err := f.refused(); err != nil {
		return err
	}
	for _, name := range [][]byte{decisionBucket, outcomesBucket} {
		if err := f.sealed(name, func(text []byte) []byte { return f.shown(text) }); err != nil {
			return err
		}
	}
	return f.sealed(outboxBucket, func(item []byte) []byte {
		if len(item) < 2 {
			return item // repair removes it
		}
		n := min(2+int(binary.BigEndian.Uint16(item)), len(item))
		return append(bytes.Clone(item[:n]), f.shown(item[n:])...)
	})
}

// people copies the pseudonyms, and the names of all other people.
func (f *forgetting) people() error {
	err := f.bucket(namesBucket, func(name, pseudonym []byte) []byte {
		if slices.Contains(f.names, string(name)) {
			return nil
		}
		return pseudonym
	})
	if err != nil {
		return err
	}
	change := f.from.Bucket(peopleBucket).Sequence()
	err = f.bucket(peopleBucket, func(key, value []byte) []byte {
		is, ok := personOf(key, value)
		if !ok || is.name == "" || !slices.Contains(f.names, is.name) {
			return value
		}
		change++
		is.name, is.change = "", change
		return is.bytes(key)
	})
	return errors.Join(err, f.to.Bucket(peopleBucket).SetSequence(change))
}

// refused copies the refusals and the marks that identify them.
func (f *forgetting) refused() error {
	marks := map[string][]byte{}
	err := f.bucket(refusedBucket, func(key, value []byte) []byte {
		was, err := refusalOf(key, value)
		if err != nil {
			return value // Verify reports it
		}
		r := was
		for _, name := range f.names {
			r.Raw = Redact(r.Raw, name, Forgotten)
			r.Problem.Value = string(Redact([]byte(r.Problem.Value), name, Forgotten))
		}
		if bytes.Equal(r.Raw, was.Raw) && r.Problem == was.Problem {
			return value
		}
		marks[string(RefusalMark(&was.Refusal))] = RefusalMark(&r.Refusal)
		raw, err := json.Marshal(r)
		if err != nil {
			return value // cannot happen: it came from JSON
		}
		return seal(key, raw)
	})
	if err != nil {
		return err
	}
	if err := f.bucket(seenBucket, func(mark, key []byte) []byte {
		if marks[string(mark)] != nil {
			return nil
		}
		return key
	}); err != nil {
		return err
	}
	for old, mark := range marks {
		if err := f.put(seenBucket, mark, f.from.Bucket(seenBucket).Get([]byte(old))); err != nil {
			return err
		}
	}
	return nil
}

// sealed copies a bucket of sealed values, if there is one, and changes each.
func (f *forgetting) sealed(name []byte, change func(value []byte) []byte) error {
	if f.from.Bucket(name) == nil {
		return nil
	}
	return f.bucket(name, func(key, value []byte) []byte {
		if plain, ok := unseal(key, value); ok {
			return seal(key, change(bytes.Clone(plain)))
		}
		return value // repair removes it
	})
}

// shown is the text with pseudonyms in the place of the names.
func (f *forgetting) shown(text []byte) []byte {
	for _, name := range f.names {
		if pseudonym := f.from.Bucket(namesBucket).Get([]byte(name)); pseudonym != nil {
			text = Redact(text, name, string(pseudonym))
		}
	}
	return text
}
