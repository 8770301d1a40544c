package drift

import "time"

// MaxRaw is how many bytes of a refused record are kept.
const MaxRaw = 16 << 10

// Refusal is a record that was not taken, as it is kept.
type Refusal struct {
	// Machine is the machine it was about, "" where that is not known.
	Machine string
	// Via is the source it came by and, after a space, the account of the sender.
	Via string
	// Line is its line in an upload, from 1; 0 where there was none.
	Line int
	// Problem is why it was not taken.
	Problem Problem
	// Raw are at most MaxRaw of the Size bytes that came.
	Raw  []byte
	Size int
	// Time is when it first came, Last when it last came, Times how often: the
	// same bytes, refused again for the same reason, are one refusal.
	Time, Last time.Time
	Times      int
	// Forwarded: another agent refused it and reports it, perhaps again; Times is
	// the total that agent has counted.
	Forwarded bool `json:"-"`
}

// Placement says where a store put an entry, or where the entry was already.
type Placement struct {
	// Epoch and Seq are the store's own numbers of the entry.
	Epoch, Seq uint64
	// Duplicate: the same record was there already; the numbers are those of the
	// first. Conflict: another record with its id was there; both are kept.
	Duplicate, Conflict bool
}
