package store

import (
	"errors"
	"maps"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
)

// Records is a store as a [Reader] reads it. [Store] says what each method does.
type Records interface {
	Histories
	Numbered
	Cache
	Proofs
}

// Histories are the records by machine.
type Histories interface {
	Machines() ([]string, error)
	History(machine string) ([]drift.Entry, error)
	Latest(machine string, n int) ([]drift.Entry, error)
	Setups() ([]drift.Entry, error)
	Find(machine, id string) (drift.Entry, bool, error)
}

// Numbered are the records in order of taking, what was refused, and the counts of both.
type Numbered interface {
	Since(epoch, seq uint64, limit int) ([]drift.Entry, error)
	Refusals(machine string, limit int) ([]drift.Refusal, error)
	RefusalCounts() ([]RefusalCount, error)
	Stats() (Stats, error)
}

// Cache keeps what follows from the records.
type Cache interface {
	After(machine string, link []byte) ([]drift.Entry, []byte, error)
	Cached(name string) ([]byte, error)
	PutCached(values map[string][]byte) error
}

// Proofs are what a pack of proof says of the store itself.
type Proofs interface {
	Name() string
	HeadAt(machine string, knownAt time.Time) (Head, bool, error)
	Pseudonyms() (map[string]string, error)
}

// Reader reads a store for those who answer from its records. It leaves out a
// corrupt record and reports it once, so that the answers of all others go on. The
// check before a start has named it already, unless it became corrupt since.
type Reader struct {
	Records
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
func NewReader(s Records, report func(text string)) Reader {
	return Reader{s, &damageLog{reported: map[string]bool{}, report: report}}
}

// History is the store's without corrupt records.
func (r Reader) History(machine string) ([]drift.Entry, error) {
	entries, err := r.Records.History(machine)
	return entries, r.leaveOut(err)
}

// Latest is the store's without corrupt records.
func (r Reader) Latest(machine string, n int) ([]drift.Entry, error) {
	entries, err := r.Records.Latest(machine, n)
	return entries, r.leaveOut(err)
}

// After is the store's without corrupt records.
func (r Reader) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	entries, last, err := r.Records.After(machine, link)
	return entries, last, r.leaveOut(err)
}

// Last is the number of the newest entry.
func (r Reader) Last() (epoch, seq uint64, err error) {
	stats, err := r.Stats()
	return stats.Epoch, stats.Seq, err
}

// Setups is the store's without corrupt records.
func (r Reader) Setups() ([]drift.Entry, error) {
	entries, err := r.Records.Setups()
	return entries, r.leaveOut(err)
}

// Find is the store's; it does not find a corrupt record.
func (r Reader) Find(machine, id string) (drift.Entry, bool, error) {
	e, found, err := r.Records.Find(machine, id)
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
	if !errors.As(err, new(*Damage)) {
		return err
	}
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
