// Package intake is the single door: whatever comes in, by MQTT, HTTP, file,
// form or command line, is offered here, and a [Receipt] is given only when it
// is durable. A [Door] says what is valid, gives ids, tells what was there
// before, keeps what it must refuse, and announces what is new.
//
// One goroutine writes. It takes whatever callers are waiting with, up to a few
// hundred records, and keeps it in one transaction, so that many callers share
// the cost of one disk flush and a single caller waits for nobody.
package intake

import (
	"errors"
	"time"

	"arcdrift/drift"
)

// Offer is one record as a door received it.
type Offer struct {
	// Raw are the bytes as they came; kept when the record is refused.
	Raw []byte
	// Record is what they say; meaningful when Problem is nil.
	Record drift.Record
	// Problem is why they could not be decoded, or nil.
	Problem *drift.Problem
	// Line is the 1-based line of an upload, 0 otherwise.
	Line int
	// Via is the door: http, mqtt, import, form, log, forward.
	Via string
	// By is whose record it is; nil is this program itself, whose commands have
	// the store's file in hand.
	By Principal
	// Machine is the one the channel speaks for, or "" when it is free. A
	// record that tells of another, or of more than one, is refused.
	Machine string
	// Received is when another agent took it that forwards it, or zero. A clock
	// that runs far ahead is not believed: then it is received now.
	Received time.Time
	// PossibleRepeat is that agent's finding, Account whose record it was there.
	PossibleRepeat bool
	Account        string
	// Refusal is that agent's, to be kept as it is, in place of a record.
	Refusal *drift.Refusal
}

// Principal is who offers a record.
type Principal interface {
	// Account is the name of its account, "" for whoever needed none.
	Account() string
	// Check says why it may not write the record, or nil.
	Check(r *drift.Record) *drift.Problem
}

// Receipt is the answer to one offer. Either Refused says why it was not taken
// or Epoch and Seq say where it stands; both are durable when the receipt is
// given. ID is the record's, given or made; of a refused one, if it had any.
type Receipt struct {
	Line       int
	ID         string
	Epoch, Seq uint64
	// Duplicate: it was there already, Epoch and Seq are the first one's.
	// Conflict: its id was there with another body; both are kept.
	// PossibleRepeat: nothing tells it from a repeat of an earlier record.
	Duplicate, Conflict, PossibleRepeat bool
	Refused                             *drift.Problem
	// Questions ask, in sentences, about what looks odd but may be true.
	Questions []string
}

// Store is what the door needs of one.
type Store interface {
	// Append keeps the entries, in this order, and the refusals in one
	// transaction. It returns when they are durable, one Placement for each entry, or
	// with an error, and then nothing may be acknowledged. Every entry has its
	// id; the entries given are not changed.
	Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error)
	// Counters returns the last known arc counter of every machine.
	Counters() (map[string]drift.Counter, error)
}

// Why a Take gave no receipts.
var (
	ErrBusy    = errors.New("the store is busy: try again in a moment")
	ErrStopped = errors.New("the agent is stopping and takes no more records")
)
