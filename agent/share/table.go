package share

import (
	"context"
	"errors"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
)

// Whole is the number of the lease for what concerns the whole fleet: its holder learns
// the populations, decides on alerts and sends them. Slots have the numbers from 0 on.
const Whole = -1

// ErrFenced says that the lease which a write names was given up or has a new holder.
// Nothing was written.
var ErrFenced = errors.New("this process does not have the lease any more: nothing was written")

// Table is the database as the processes see each other through it.
type Table interface {
	Slots
	Leases
	States
	Many
}

// Slots divide the machines.
type Slots interface {
	// Slots is how many there are, Slot the one of a machine.
	Slots() int
	Slot(machine string) int
}

// Leases say which process works on which slot.
type Leases interface {
	// Renew says that a process lives, renews the leases that it holds, takes those in
	// Take that are free or have ended, and gives up those in Leave; then it reads how
	// things stand. A process that does not call it for as long as Renewal.For has no
	// leases any more and does not count.
	Renew(ctx context.Context, r Renewal) (Picture, error)
	// News are the machines of a slot with entries after a mark, with their arc counters,
	// and whether there is a setup among the entries.
	News(ctx context.Context, slot int, after Mark) (News, error)
	// Links are the links of the newest entries of the machines in slots, by machine.
	Links(ctx context.Context, slots []int) (map[string][]byte, error)
}

// States are what the holders of the leases publish.
type States interface {
	// Publish stores values in a slot under the number of its lease. The error is
	// ErrFenced if another holds it, or if it was given up.
	Publish(ctx context.Context, slot int, fence int64, values map[string][]byte) error
	// Published are the values of a slot that changed after a version, with the version
	// that it is at.
	Published(ctx context.Context, slot int, after int64) (values map[string][]byte, version int64, err error)
	// Value is one of them, nil if there is none.
	Value(ctx context.Context, slot int, name string) ([]byte, error)
}

// Many reads of many machines of one slot at once.
type Many interface {
	// Values are the published values of the names that have one.
	Values(ctx context.Context, slot int, names []string) (map[string][]byte, error)
	// Stretches are the entries of machines after links of theirs. Machines with a corrupt
	// record are left out.
	Stretches(ctx context.Context, slot int, links map[string][]byte) (map[string]fleet.Stretch, error)
}

// Renewal is what a process asks of the leases.
type Renewal struct {
	Process string
	For     time.Duration
	// Note is what the process tells the others about itself.
	Note        []byte
	Take, Leave []int
}

// Picture is how things stand in the table.
type Picture struct {
	// Processes are those that live, by name and in order.
	Processes []string
	// Notes are what they tell about themselves.
	Notes map[string][]byte
	// Leases are those of all slots and of the whole fleet that have not ended.
	Leases []Lease
	// Newest are the numbers of the newest entries and Versions those of the published
	// values, by slot.
	Newest   map[int]Mark
	Versions map[int]int64
}

// Lease is the right to work on a slot.
type Lease struct {
	Slot    int
	Process string
	// Fence rises with every new holder, and when a holder gives the lease up: what a
	// process writes carries it, so that one that was paused and lost the lease changes
	// nothing when it wakes.
	Fence int64
}

// Mark is the number of an entry; in one slot they rise in the order of the commits.
type Mark struct{ Epoch, Seq uint64 }

// News are what came in a slot.
type News struct {
	Machines map[string]drift.Counter
	Setups   bool
}
