package agent

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"sync"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// legible is the store as all read it who answer from records: what is spoilt is
// left out and told once, and the rest goes on being answered from. A running
// agent's check at the start has named it, unless it was spoilt since.
type legible struct {
	book
	spoilt *spoilt
}

// spoilt is what was left out so far.
type spoilt struct {
	mu   sync.Mutex
	told map[string]bool // sentences
	tell func(text string)
}

// newLegible reads a store; tell is given a sentence on each spoilt record, once.
func newLegible(s *store.Store, tell func(text string)) legible {
	return legible{book{s}, &spoilt{told: map[string]bool{}, tell: tell}}
}

// tellOn tells people on w.
func tellOn(w io.Writer) func(text string) {
	return func(text string) { fmt.Fprintln(w, text) }
}

// History is the store's without what is spoilt.
func (l legible) History(machine string) ([]drift.Entry, error) {
	entries, err := l.book.History(machine)
	return entries, l.leaveOut(err)
}

// Latest is the store's without what is spoilt.
func (l legible) Latest(machine string, n int) ([]drift.Entry, error) {
	entries, err := l.book.Latest(machine, n)
	return entries, l.leaveOut(err)
}

// After is the store's without what is spoilt.
func (l legible) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	entries, last, err := l.book.After(machine, link)
	return entries, last, l.leaveOut(err)
}

// Last is the number of the newest entry.
func (l legible) Last() (epoch, seq uint64, err error) {
	stats, err := l.Stats()
	return stats.Epoch, stats.Seq, err
}

// Setups is the store's without what is spoilt.
func (l legible) Setups() ([]drift.Entry, error) {
	entries, err := l.book.Setups()
	return entries, l.leaveOut(err)
}

// Find is the store's; what is spoilt is not there.
func (l legible) Find(machine, id string) (drift.Entry, bool, error) {
	e, found, err := l.book.Find(machine, id)
	return e, found, l.leaveOut(err)
}

// Refused is the store's without the counts that are spoilt.
func (l legible) Refused() (map[string]int, error) {
	counts, err := l.book.Refused()
	return counts, l.leaveOut(err)
}

// found are the sentences told so far.
func (l legible) found() []string {
	l.spoilt.mu.Lock()
	defer l.spoilt.mu.Unlock()
	return slices.Sorted(maps.Keys(l.spoilt.told))
}

// leaveOut returns what is left of the errors of a reading without those of
// spoilt records.
func (l legible) leaveOut(err error) error {
	all := []error{err}
	if joined := (interface{ Unwrap() []error })(nil); errors.As(err, &joined) {
		all = joined.Unwrap()
	}
	var left []error
	for _, err := range all {
		var d *store.Damage
		if !errors.As(err, &d) {
			left = append(left, err)
			continue
		}
		l.spoilt.mu.Lock()
		text := "Left out of the answers, as it is spoilt: " + d.Error() + ". Run verify, and compare with a backup."
		if !l.spoilt.told[text] {
			l.spoilt.told[text] = true
			l.spoilt.tell(text)
		}
		l.spoilt.mu.Unlock()
	}
	return errors.Join(left...)
}
