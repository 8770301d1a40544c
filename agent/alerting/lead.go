package alerting

import (
	"bytes"
	"context"
	"errors"
	"time"

	"arcdrift/agent/alert"
	"arcdrift/agent/fleet"
)

// ErrChanged is the error of a store that several processes share: another has decided
// since this one last read what was decided. Nothing was written.
var ErrChanged = errors.New("another process has decided meanwhile")

// whileLeading runs f for as long as this process decides and sends for the fleet, each
// time that it begins to, until ctx ends. Without other processes it always does.
func (a *engine) whileLeading(ctx context.Context, f func(context.Context) error) error {
	for ctx.Err() == nil {
		if !a.leads() {
			wait(ctx, lookEvery)
			continue
		}
		leading, stop := context.WithCancel(ctx)
		watched := make(chan struct{})
		go func() {
			defer close(watched)
			for leading.Err() == nil && a.leads() {
				wait(leading, lookEvery)
			}
			stop()
		}()
		err := f(leading)
		if err == nil {
			<-leading.Done() // f may have nothing to do
		}
		stop()
		<-watched
		if err != nil {
			return err
		}
	}
	return nil
}

// wait waits for a time or for the end of ctx.
func wait(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// decide decides on a snapshot if this process leads; otherwise it reads what the one that
// leads has decided, for the pages.
func (a *engine) decide(s *fleet.Snapshot) error {
	leads := a.leads()
	if !leads || !a.led {
		if err := a.catchUp(s); err != nil {
			return err
		}
	}
	a.led = leads
	if !leads || a.idle(s) {
		return nil
	}
	err := a.step(s)
	if errors.Is(err, ErrChanged) { // somebody acknowledged a case at another process
		err = errors.Join(a.catchUp(s), a.step(s))
	}
	return err
}

// catchUp reads what was decided, if it is not what this process knows.
func (a *engine) catchUp(s *fleet.Snapshot) error {
	kept, err := a.store.Decided()
	if err != nil {
		return err
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	if !bytes.Equal(kept, a.kept) {
		if a.memory, err = recall(a.store); err != nil {
			return err
		}
	}
	if !a.leads() {
		a.view, a.seen = alert.View{}, s
	}
	return nil
}

// answered stores an answer to a case, such as an acknowledgement. If another process has
// decided meanwhile, it answers to what that has decided.
func (a *engine) answered(answer func(alert.State) (alert.State, error)) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	for {
		next, err := answer(a.state)
		if err != nil {
			return err
		}
		err = a.keep(next, nil, nil)
		if !errors.Is(err, ErrChanged) {
			return err
		}
		if a.memory, err = recall(a.store); err != nil {
			return err
		}
	}
}
