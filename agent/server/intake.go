package server

import (
	"context"
	"maps"
	"sync"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/metrics"
)

// countedIntake counts the records that arrive.
type countedIntake struct {
	*intake.Handler
	now    func() time.Time
	mu     sync.Mutex
	counts map[metrics.Arrival]uint64
	last   map[string]time.Time // when each source last sent something
}

// Take hands the records in and counts the results.
func (c *countedIntake) Take(ctx context.Context, submissions []intake.Submission) ([]intake.Receipt, error) {
	receipts, err := c.Handler.Take(ctx, submissions)
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, r := range receipts {
		a := metrics.Arrival{Type: submissions[i].Record.Type, Result: metrics.Taken}
		switch {
		case r.Refused != nil:
			a.Result = metrics.Refused
		case r.Duplicate:
			a.Result = metrics.Duplicate
		case r.Conflict:
			a.Result = metrics.Conflict
		}
		c.counts[a]++
		c.last[submissions[i].Via] = c.now()
	}
	return receipts, err
}

func (c *countedIntake) seen() map[metrics.Arrival]uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return maps.Clone(c.counts)
}

// lastFrom is when each of these sources last sent something; one that sent nothing is
// left out.
func (c *countedIntake) lastFrom(sources ...string) map[string]time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	out := map[string]time.Time{}
	for _, source := range sources {
		if at, sent := c.last[source]; sent {
			out[source] = at
		}
	}
	return out
}
