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
	// version counts the readings.
	version uint64
}

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
	if c.stale || !c.coming.IsZero() && !c.now().Before(c.coming) {
		c.mu.RUnlock()
		c.read()
		c.mu.RLock()
	}
	return &c.mu
}

func (c *customers) read() {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if !c.stale && (c.coming.IsZero() || now.Before(c.coming)) {
		return // another has read them meanwhile
	}
	c.version++
	setups, err := c.setups()
	if err != nil {
		c.log.Error("the setups cannot be read; limited accounts see no machine", "error", err)
		c.known, c.coming = drift.Customers{}, time.Time{}
		return
	}
	c.known, c.coming = drift.CustomersOf(setups, now)
	c.stale = false
}
