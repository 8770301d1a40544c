package hub

import (
	"errors"
	"sync"

	"arcdrift/agent/alerting"
	"arcdrift/agent/pgstore"
	"arcdrift/agent/share"
	"arcdrift/agent/store"
)

// decisions are what the processes decide of a fleet together. The one with the lease for
// the whole fleet decides and sends under the number of that lease. Any process stores the
// answer of a person to a case. What another has decided since this process last read it is
// never overwritten.
type decisions struct {
	*pgstore.Store
	lease func() (share.Lease, bool)

	mu     sync.Mutex
	before []byte // the state as this process knows it
}

// Decided is the state that was stored last.
func (d *decisions) Decided() ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	state, err := d.Store.Decided()
	if err == nil {
		d.before = state
	}
	return state, err
}

// Decide stores a state that follows from the one that this process read last.
func (d *decisions) Decide(state []byte, outcomes [][]byte, items []store.OutboxItem) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	at, leads := d.led()
	if !leads {
		if len(items)+len(outcomes) > 0 {
			return errNotLeading
		}
		at = d.Store // an answer to a case
	}
	err := at.DecideAfter(d.before, state, outcomes, items)
	if errors.Is(err, pgstore.ErrChanged) {
		return alerting.ErrChanged
	}
	if err == nil {
		d.before = state
	}
	return err
}

// Replace changes a message, if this process sends them.
func (d *decisions) Replace(item store.OutboxItem) error {
	at, leads := d.led()
	if !leads {
		return errNotLeading
	}
	return at.Replace(item)
}

// Settle removes a message, if this process sends them.
func (d *decisions) Settle(key string) error {
	at, leads := d.led()
	if !leads {
		return errNotLeading
	}
	return at.Settle(key)
}

// led is the store under the lease for the whole fleet.
func (d *decisions) led() (*pgstore.Store, bool) {
	l, held := d.lease()
	return d.Under(pgstore.Lease{Slot: l.Slot, Owner: l.Process, Fence: l.Fence}), held
}
