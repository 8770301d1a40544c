package web

import (
	"context"
	"fmt"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// yesterday works out what the states of all machines were a day ago. In a large
// fleet that takes minutes, so it goes on without the page that asked, is done
// once at a time, and is kept for the hour.
type yesterday struct {
	assess   func(asOf time.Time) ([]advise.Assessment, error)
	patience time.Duration // of a page

	mu   sync.Mutex
	work *pastStates // begun last; nil before the first
}

// pastStates are the states at a moment; the rest is there once done is closed.
type pastStates struct {
	of     time.Time
	done   chan struct{}
	states map[string]advise.State
	err    error
}

// states returns the states of a day before now, or of the hour before, and
// whether they were there when ctx ended at the latest.
func (y *yesterday) states(ctx context.Context, now time.Time) (states map[string]advise.State, there bool, err error) {
	work := y.at(now.Add(-24 * time.Hour).Truncate(time.Hour))
	select {
	case <-work.done:
		return work.states, true, work.err
	case <-ctx.Done():
		return nil, false, nil
	}
}

// at is the work on that moment, begun unless another is still going on.
func (y *yesterday) at(of time.Time) *pastStates {
	y.mu.Lock()
	defer y.mu.Unlock()
	if y.work != nil {
		select {
		case <-y.work.done:
			if y.work.of.Equal(of) && y.work.err == nil {
				return y.work
			}
		default:
			return y.work
		}
	}
	work := &pastStates{of: of, done: make(chan struct{}), states: map[string]advise.State{}}
	y.work = work
	go func() {
		defer close(work.done)
		before, err := y.assess(of)
		if err != nil {
			work.err = fmt.Errorf("web: the fleet a day ago: %w", err)
		}
		for i := range before {
			work.states[before[i].Machine] = before[i].State
		}
	}()
	return work
}

// assessAll asks the fleet about all machines at a moment.
func (s *Server) assessAll(asOf time.Time) ([]advise.Assessment, error) {
	return s.Fleet.AssessAt("", drift.Some(asOf), drift.Opt[time.Time]{})
}
