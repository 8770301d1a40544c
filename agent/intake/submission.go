// Package intake takes records in. Every source (MQTT, HTTP, a file, a form, a
// command) submits here, and a [Receipt] is given only when the record is
// durable. A [Handler] checks what is valid, gives ids, finds repeats, keeps what
// it must refuse, and announces what is new.
//
// One goroutine writes. It takes what all callers have submitted, up to a few
// thousand records, and stores it in one transaction. So many callers share the
// cost of one disk flush, and a single caller waits for nobody.
package intake

import (
	"errors"
	"time"

	"arcdrift/drift"
)

// Submission is one record as a source received it.
type Submission struct {
	// Raw are the bytes as they came; kept when the record is refused.
	Raw []byte
	// Record is the decoded record; meaningful when Problem is nil.
	Record drift.Record
	// Problem is why the bytes could not be decoded, or nil.
	Problem *drift.Problem
	// Line is the line of an upload, from 1; 0 otherwise.
	Line int
	// Via is the source: http, mqtt, import, form, log, forward.
	Via string
	// By is who submits it; nil is this program itself, whose commands work on
	// the store's file.
	By Principal
	// Machine is the only machine that the channel may write for, or "" for any. A
	// record about another machine, or about more than one, is refused.
	Machine string
	// Received is when the agent that forwards it took it, or zero. A time that lies
	// before 1970 or far in the future is not believed: the record is then received now.
	Received time.Time
	// PossibleRepeat and Account are what the agent that forwards it has stored
	// with it.
	PossibleRepeat bool
	Account        string
	// Refusal is a refusal of the agent that forwards it. It is kept as it is;
	// there is no record then.
	Refusal *drift.Refusal
}

// Principal is who submits a record.
type Principal interface {
	// Account is the name of its account, "" for a principal without one.
	Account() string
	// Sees says whether it may know of the machine. A refusal of a record about another
	// one is not filed under that machine, where its own people would read it.
	Sees(machine string) bool
	// Check says why it may not write the record, or nil.
	Check(r *drift.Record) *drift.Problem
}

// Receipt is the answer to one submission. Either Refused says why the record was
// not taken, or Epoch and Seq are its numbers in the store. Both are durable when
// the receipt is given. ID is the record's id, given or made; of a refused record
// the id it came with, if any.
type Receipt struct {
	Line       int
	ID         string
	Epoch, Seq uint64
	// Duplicate: the record was there already; the numbers are those of the first.
	// Conflict: another record with its id was there; both are kept.
	// PossibleRepeat: nothing in it distinguishes it from a repeat of an earlier one.
	Duplicate, Conflict, PossibleRepeat bool
	Refused                             *drift.Problem
	// Questions ask, in sentences, about what looks odd but may be true.
	Questions []string
}

// Store is what a [Handler] needs of a store.
type Store interface {
	// Append stores the entries, in this order, and the refusals in one
	// transaction. It returns one Placement for each entry when all are durable.
	// With an error nothing may be acknowledged, even if it was stored. Every
	// entry has its id; the entries given are not changed.
	Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error)
	// Counters returns the last known arc count of every machine.
	Counters() (map[string]drift.Counter, error)
}

// The errors of [Handler.Take] that are its own.
var (
	ErrBusy    = errors.New("the store is busy: try again in a moment")
	ErrStopped = errors.New("the agent is stopping and takes no more records")
)
