package store

import (
	"errors"
	"maps"
	"slices"
	"sync"

	"arcdrift/drift"
)

// Reader reads a store for those who answer from its records. It leaves out a
// corrupt record and reports it once, so that the answers of all others go on. The
// check before a start has named it already, unless it became corrupt since.
type Reader struct {
	*Store
	damage *damageLog
}

// damageLog holds what was left out so far.
type damageLog struct {
	mu       sync.Mutex
	reported map[string]bool // by sentence
	report   func(text string)
}

// NewReader reads a store; report receives one sentence about each corrupt record,
// once.
func NewReader(s *Store, report func(text string)) Reader {
	return Reader{s, &damageLog{reported: map[string]bool{}, report: report}}
}

// History is the store's without corrupt records.
func (r Reader) History(machine string) ([]drift.Entry, error) {
	entries, err := r.Store.History(machine)
	return entries, r.leaveOut(err)
}

// Latest is the store's without corrupt records.
func (r Reader) Latest(machine string, n int) ([]drift.Entry, error) {
	entries, err := r.Store.Latest(machine, n)
	return entries, r.leaveOut(err)
}

// After is the store's without corrupt records.
func (r Reader) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	entries, last, err := r.Store.After(machine, link)
	return entries, last, r.leaveOut(err)
}

// Last is the number of the newest entry.
func (r Reader) Last() (epoch, seq uint64, err error) {
	stats, err := r.Stats()
	return stats.Epoch, stats.Seq, err
}

// Setups is the store's without corrupt records.
func (r Reader) Setups() ([]drift.Entry, error) {
	entries, err := r.Store.Setups()
	return entries, r.leaveOut(err)
}

// Find is the store's; it does not find a corrupt record.
func (r Reader) Find(machine, id string) (drift.Entry, bool, error) {
	e, found, err := r.Store.Find(machine, id)
	return e, found, r.leaveOut(err)
}

// Refused counts the refused records of each machine, without corrupt counts.
func (r Reader) Refused() (map[string]int, error) {
	counts, err := r.RefusalCounts()
	out := map[string]int{}
	for _, c := range counts {
		out[c.Machine] += int(c.Count)
	}
	return out, r.leaveOut(err)
}

// LeftOut lists the sentences reported so far.
func (r Reader) LeftOut() []string {
	r.damage.mu.Lock()
	defer r.damage.mu.Unlock()
	return slices.Sorted(maps.Keys(r.damage.reported))
}

// leaveOut returns the errors of a reading without those of corrupt records, which
// it reports.
func (r Reader) leaveOut(err error) error {
	all := []error{err}
	if joined := (interface{ Unwrap() []error })(nil); errors.As(err, &joined) {
		all = joined.Unwrap()
	}
	var left []error
	for _, err := range all {
		var d *Damage
		if !errors.As(err, &d) {
			left = append(left, err)
			continue
		}
		r.damage.add("Left out of the answers, as it is spoilt: " + d.Error() + ". Run verify, and compare with a backup.")
	}
	return errors.Join(left...)
}

// add reports a sentence once.
func (l *damageLog) add(text string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.reported[text] {
		l.reported[text] = true
		l.report(text)
	}
}
