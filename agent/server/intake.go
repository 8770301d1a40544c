package server

import (
	"context"
	"log/slog"
	"maps"
	"sync"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/metrics"
	"arcdrift/drift"
)

// A way in that brings what is refused is named in the log at most this often: the list
// of refused records has them all.
const refusedEvery = 10 * time.Minute

// told is when refused records were last named in the log, and how many came since.
type told struct {
	at    time.Time
	since int
}

// countedIntake counts the records that arrive.
type countedIntake struct {
	*intake.Handler
	log    *slog.Logger
	told   map[string]told // by the way that they came
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
			c.tell(&submissions[i], r.Refused)
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

// tell names a refused record in the log.
func (c *countedIntake) tell(s *intake.Submission, p *drift.Problem) {
	now, t := c.now(), c.told[s.Via]
	if t.since++; now.Sub(t.at) >= refusedEvery {
		c.log.Warn("records were refused; the page \"Refused records\" lists them", "via", s.Via, "records", t.since, "last", p.Error())
		t = told{at: now}
	}
	c.told[s.Via] = t
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
