package reach

import (
	"context"
	"io"

	"arcdrift/agent/alerting"
	"arcdrift/agent/auth"
	"arcdrift/agent/forward"
	"arcdrift/agent/intake"
	"arcdrift/agent/share"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
)

// Store is all that an agent and its commands ask of a store, in the parts that callers
// declare. The comments of [store.Store] say what each method does, and the suite of
// package storetest holds every store to it. What only some stores can do is asked of
// them by [Copier], [Compactor], [Diagnoser] and [Verifier].
type Store interface {
	store.Records
	intake.Store
	alerting.Store
	forward.Store
	Kept
}

// Kept is the rest of what a store does: it knows and forgets people, can be compared
// with another store, and is closed at the end.
type Kept interface {
	Learn(reported []wire.Person) error
	Forget(name string) (pseudonym string, err error)
	Digests() (map[string]store.Digest, error)
	RefusedDigest() (store.Digest, error)
	Close() error
}

// Copier is a store that can copy itself while it is in use. The stores of a database
// leave that to the database's own tools, see [store.ErrNoCopy].
type Copier interface {
	Backup(w io.Writer) error
}

// Compactor is a store that can reduce old arc counts.
type Compactor interface {
	Compact(ctx context.Context, what store.Compaction) (int, error)
}

// Diagnoser is a store that reports what was unusual about it.
type Diagnoser interface {
	Diagnostics() []store.Diagnostic
}

// Verifier is a store that checks its whole record while it is open.
type Verifier interface {
	Verify() (store.Report, error)
}

// Shared is a store that several processes have at the same time.
type Shared interface {
	// Table is the database as they see each other through it.
	Table() share.Table
	// Decisions are the decisions and the outbox of the fleet. Messages are changed only
	// while lease returns the lease for the whole fleet; a decision is
	// [alerting.ErrChanged] if another process has decided since this one last read.
	Decisions(lease func() (share.Lease, bool)) alerting.Store
	// Documents are texts that the processes share, SignIns the sign-ins of browsers at
	// any of them.
	auth.Documents
	auth.SignIns
}

// Use says what a store is opened for.
type Use int

// The uses of a store.
const (
	Reading Use = iota // by a command, beside other readers
	Writing            // by a command
	Serving            // by an agent
)

// Engine opens the stores of one kind.
type Engine interface {
	// Open opens the store of a location. Unless it is for reading, it makes the store
	// when there is none. [store.ErrHeld] says that a running agent has it to itself.
	Open(ctx context.Context, at Location, use Use) (Store, error)
	// MustBe is an error that says so when there is no store.
	MustBe(at Location) error
}
