package storetest

import (
	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// Store is all that an agent asks of a store, in the parts that its callers
// declare. The doc comments of [store.Store] say what each method has to do, and
// the suite holds every store to it.
//
// The methods may be called from several goroutines at once. What a method has
// returned stays as it is: the caller may keep and change it.
type Store interface {
	intake.Store
	History
	Cache
	Refused
	Decisions
	Outbox
	Forwarding
	People
	Proof
}

// History reads the records: agent/fleet, the pages, the commands.
type History interface {
	Machines() ([]string, error)
	History(machine string) ([]drift.Entry, error)
	Latest(machine string, n int) ([]drift.Entry, error)
	Setups() ([]drift.Entry, error)
	Find(machine, id string) (drift.Entry, bool, error)
}

// Cache keeps what follows from the records: agent/fleet declares the same.
type Cache interface {
	After(machine string, link []byte) ([]drift.Entry, []byte, error)
	Cached(name string) ([]byte, error)
	PutCached(values map[string][]byte) error
}

// Refused lists what was refused: the pages, the commands, the counts of a machine.
type Refused interface {
	Refusals(machine string, limit int) ([]drift.Refusal, error)
	RefusalCounts() ([]store.RefusalCount, error)
}

// Decisions keeps what was concluded from the records: the alerting.
type Decisions interface {
	Decide(state []byte, outcomes [][]byte, items []store.OutboxItem) error
	Decided() ([]byte, error)
	Outcomes() ([][]byte, error)
}

// Outbox keeps what has to be sent until it is: the alerting's channels.
type Outbox interface {
	Oldest(queue string) (store.OutboxItem, bool, error)
	Waiting(queue string) (int, error)
	Replace(store.OutboxItem) error
	Settle(key string) error
}

// Forwarding is what agent/forward reads and notes; it declares the same.
type Forwarding interface {
	SincePseudonymous(epoch, seq uint64, limit int) ([]drift.Entry, error)
	PeopleSince(change uint64, limit int) ([]store.Person, error)
	RefusalsSince(change uint64, limit int) ([]store.ChangedRefusal, error)
	Cursor(name string) (store.Cursor, error)
	SetCursor(name string, c store.Cursor) error
}

// People knows and forgets the names in the records: a hub, and arcdrift person.
type People interface {
	Learn(reported []wire.Person) error
	Forget(name string) (pseudonym string, err error)
}

// Proof is what an export, a comparison of two stores and the metrics go by.
type Proof interface {
	store.Proofs
	Since(epoch, seq uint64, limit int) ([]drift.Entry, error)
	Conflicts() ([]drift.Entry, error)
	Digests() (map[string]store.Digest, error)
	RefusedDigest() (store.Digest, error)
	Stats() (store.Stats, error)
}
