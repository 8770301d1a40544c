package server

import (
	"context"
	"maps"
	"sync"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/metrics"
)

// countedDoor counts what comes to the door.
type countedDoor struct {
	*intake.Handler
	now    func() time.Time
	mu     sync.Mutex
	counts map[metrics.Arrival]uint64
	last   map[string]time.Time // when anything last came by each way
}

// Take offers the records and counts what became of them.
func (d *countedDoor) Take(ctx context.Context, offers []intake.Submission) ([]intake.Receipt, error) {
	receipts, err := d.Handler.Take(ctx, offers)
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, r := range receipts {
		a := metrics.Arrival{Type: offers[i].Record.Type, Result: metrics.Taken}
		switch {
		case r.Refused != nil:
			a.Result = metrics.Refused
		case r.Duplicate:
			a.Result = metrics.Duplicate
		case r.Conflict:
			a.Result = metrics.Conflict
		}
		d.counts[a]++
		d.last[offers[i].Via] = d.now()
	}
	return receipts, err
}

func (d *countedDoor) seen() map[metrics.Arrival]uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return maps.Clone(d.counts)
}

// lastBy tells when something last came by those of the ways that it came by.
func (d *countedDoor) lastBy(ways ...string) map[string]time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	out := map[string]time.Time{}
	for _, way := range ways {
		if at, came := d.last[way]; came {
			out[way] = at
		}
	}
	return out
}
