package agent

import (
	"errors"
	"log/slog"
	"sync"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// legible is the store as a running agent's fleet reads it, and its pages the
// latest records: what is spoilt is left out and told once, and the rest goes on
// being answered from. The check at the start has named it, unless it was spoilt
// since.
type legible struct {
	book
	log  *slog.Logger
	told *sync.Map // texts
}

func newLegible(s *store.Store, log *slog.Logger) legible { return legible{book{s}, log, &sync.Map{}} }

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

// Setups is the store's without what is spoilt.
func (l legible) Setups() ([]drift.Entry, error) {
	entries, err := l.book.Setups()
	return entries, l.leaveOut(err)
}

// leaveOut returns what is left of the errors of a reading without those of
// spoilt records.
func (l legible) leaveOut(err error) error {
	var all interface{ Unwrap() []error }
	if !errors.As(err, &all) {
		return err
	}
	var left []error
	for _, err := range all.Unwrap() {
		var d *store.Damage
		if !errors.As(err, &d) {
			left = append(left, err)
		} else if _, told := l.told.LoadOrStore(d.Error(), true); !told {
			l.log.Warn("a spoilt record is left out of the answers; run verify and compare with a backup", "record", d.Error())
		}
	}
	return errors.Join(left...)
}
