package web

import (
	"context"
	"fmt"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/compare"
)

// compared is the comparison of a part of the fleet. It is worked out once at a time and
// kept for the hour: in a large fleet that takes a while.
type compared struct {
	*comparedOnce
	part drift.Part
	name string // of the part, "" for the whole fleet
}

// comparedOnce keeps the comparisons for everybody.
type comparedOnce struct {
	work func(part drift.Part) (compare.Report, error)
	turn chan struct{} // taken by the one that works

	mu   sync.Mutex
	last map[string]*comparedWork // by the name of the part
}

type comparedWork struct {
	of     time.Time
	done   chan struct{}
	report compare.Report
	err    error
	before *compare.Report // of an hour before, nil for none
}

func newCompared(work func(part drift.Part) (compare.Report, error)) *compared {
	return &compared{comparedOnce: &comparedOnce{work: work, turn: make(chan struct{}, 1), last: map[string]*comparedWork{}}}
}

// of is the comparison for somebody who sees a part of the fleet.
func (c *compared) of(part drift.Part, name string) *compared {
	return &compared{c.comparedOnce, part, name}
}

// soon returns the report for the hour or, while that is being worked out, the one of an
// hour before; false if there was neither when ctx ended.
func (c *compared) soon(ctx context.Context, now time.Time) (report compare.Report, there bool, err error) {
	work := c.begun(now.Truncate(time.Hour))
	select {
	case <-work.done:
		return work.report, true, work.err
	case <-ctx.Done():
		if work.before != nil {
			return *work.before, true, nil
		}
		return report, false, nil
	}
}

// begun is the work on that hour, begun unless it is going on.
func (c *compared) begun(hour time.Time) *comparedWork {
	c.mu.Lock()
	defer c.mu.Unlock()
	work := &comparedWork{of: hour, done: make(chan struct{})}
	if last := c.last[c.name]; last != nil {
		select {
		case <-last.done:
			if last.of.Equal(hour) && last.err == nil {
				return last
			}
			if work.before = last.before; last.err == nil {
				work.before = &last.report
			}
		default:
			return last
		}
	}
	for name, other := range c.last {
		if hour.Sub(other.of) > 24*time.Hour {
			delete(c.last, name) // nobody has asked for a day
		}
	}
	c.last[c.name] = work
	go func() {
		defer close(work.done)
		c.turn <- struct{}{}
		defer func() { <-c.turn }()
		if work.report, work.err = c.work(c.part); work.err != nil {
			work.err = fmt.Errorf("web: comparing the fleet: %w", work.err)
		}
	}()
	return work
}
