package server

import (
	"log/slog"
	"sync"
	"time"

	"arcdrift/drift"
)

// customers says to whom machines belong, from the setups in the store as they are now: who
// sees a machine does not wait for the models.
type customers struct {
	setups func() ([]drift.Entry, error)
	now    func() time.Time
	log    *slog.Logger

	mu     sync.RWMutex
	known  drift.Customers
	coming time.Time // when the next setup begins to count, zero for none
	stale  bool
	failed time.Time // when the setups could not be read last, zero once they could
	// version counts the readings.
	version uint64
}

// readAgain is how long setups that could not be read are left alone: every request of a
// limited account and every message asks for them.
const readAgain = time.Second

// newCustomers reads the setups from a store.
func newCustomers(setups func() ([]drift.Entry, error), now func() time.Time, log *slog.Logger) *customers {
	return &customers{setups: setups, now: now, log: log, stale: true}
}

// announce notes that new entries are durable.
func (c *customers) announce(entries []drift.Entry) {
	for i := range entries {
		if entries[i].Setup != nil {
			c.changed()
			return
		}
	}
}

// changed notes that there are other setups.
func (c *customers) changed() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stale = true
}

// Of implements auth.Assignments. While the setups cannot be read, machines belong to
// nobody, so that nobody sees what he must not.
func (c *customers) Of(machine string) (a drift.Assignment, former bool) {
	defer c.current().RUnlock()
	return c.known.Of(machine), c.known.Former(machine)
}

// Version implements auth.Assignments.
func (c *customers) Version() uint64 {
	defer c.current().RUnlock()
	return c.version
}

// current reads the setups if there are others, and returns the lock, held for reading.
func (c *customers) current() *sync.RWMutex {
	c.mu.RLock()
	if c.due(c.now()) {
		c.mu.RUnlock()
		c.read()
		c.mu.RLock()
	}
	return &c.mu
}

// due says whether the setups have to be read; the lock is held.
func (c *customers) due(now time.Time) bool {
	if since := now.Sub(c.failed); !c.failed.IsZero() && since >= 0 && since < readAgain {
		return false
	}
	return c.stale || !c.coming.IsZero() && !now.Before(c.coming)
}

func (c *customers) read() {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if !c.due(now) {
		return // another has read them meanwhile
	}
	c.version++
	setups, err := c.setups()
	if err != nil {
		if c.failed.IsZero() {
			c.log.Error("the setups cannot be read; limited accounts see no machine until they can", "error", err)
		}
		c.known, c.coming, c.stale, c.failed = drift.Customers{}, time.Time{}, true, c.now()
		return
	}
	c.known, c.coming = drift.CustomersOf(setups, now)
	c.stale, c.failed = false, time.Time{}
}
