// Package notify carries out what alert decided: every message goes through an
// outbox that survives a kill, to a webhook, by e-mail, over MQTT or into an
// Alertmanager, and is tried again until it gets through.
//
// Delivery is at least once: a receiver whose confirmation was lost gets the
// message again, with the same key, by which it can recognise it. Messages of one channel
// arrive in their order.
package notify

import (
	"context"
	"errors"
	"log/slog"
	"maps"
	"math/rand/v2"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"arcdrift/agent/alert"
	"arcdrift/agent/backoff"
)

// Item is one message on its way by one channel. It is kept as JSON.
type Item struct {
	// Key is that of the action and the channel: the same for ever.
	Key     string       `json:"key"`
	Channel string       `json:"channel"`
	Action  alert.Action `json:"action"`
	// Attempts that failed so far, the first of them, the moment of the next one
	// and the last error.
	Attempts int       `json:"attempts,omitempty"`
	Failing  time.Time `json:"failing,omitzero"`
	Next     time.Time `json:"next,omitzero"`
	Failure  string    `json:"failure,omitempty"`
	// Lost marks a settled message that never got through.
	Lost bool `json:"lost,omitempty"`
}

// Items are the messages of actions, one for each channel. Put them into the
// outbox in the transaction that keeps the state of alert; an item whose key is
// there already, waiting or settled, stays as it is.
func Items(actions []alert.Action) []Item {
	var items []Item
	for _, a := range actions {
		to := a.To
		a.To = nil
		for _, channel := range to {
			items = append(items, Item{Key: a.Key + "@" + channel, Channel: channel, Action: a})
		}
	}
	return items
}

// Outbox keeps the items through a kill. Items of one channel are in the order
// in which they were put.
type Outbox interface {
	// Oldest is the first item of a channel that is not settled.
	Oldest(channel string) (Item, bool, error)
	// Waiting counts the items of a channel that are not settled.
	Waiting(channel string) (int, error)
	// Retry keeps what an attempt has changed in an item.
	Retry(Item) error
	// Settle ends an item, delivered or lost. Its key is remembered, so that
	// putting it again is a no-op.
	Settle(Item) error
}

// Channel is a way out.
type Channel interface {
	// Send delivers one message and returns when the other side has confirmed it.
	// An error of type *Refusal says that it never will take this one.
	Send(ctx context.Context, a alert.Action) error
	// Alone says that every case must come as a message of its own; where people
	// read, those of a depot come as one.
	Alone() bool
}

// Refusal is the answer of a channel that works but will never take this message.
type Refusal struct{ Reason error }

func (r *Refusal) Error() string { return "the message was refused: " + r.Reason.Error() }

// Unwrap is the cause.
func (r *Refusal) Unwrap() error { return r.Reason }

// How long a channel is tried. The first retries come quickly, for a blip; later
// ones leave a receiver in trouble alone.
const (
	firstPause   = 5 * time.Second
	longestPause = 15 * time.Minute
	// attemptTime ends an attempt that hangs.
	attemptTime = 30 * time.Second
	// DeadAfter is how long messages must have failed before a channel counts as
	// dead.
	DeadAfter = 30 * time.Minute
	// GiveUpAfter is when a message is so old that it would mislead.
	GiveUpAfter = 7 * 24 * time.Hour
)

// Notifier delivers what waits in the outbox.
type Notifier struct {
	outbox   Outbox
	channels map[string]Channel
	log      *slog.Logger
	now      func() time.Time
	wake     map[string]chan struct{}
}

// New makes a notifier for the channels by name.
func New(outbox Outbox, channels map[string]Channel, log *slog.Logger, now func() time.Time) *Notifier {
	n := &Notifier{outbox: outbox, channels: channels, log: log, now: now, wake: map[string]chan struct{}{}}
	for name := range channels {
		n.wake[name] = make(chan struct{}, 1)
	}
	return n
}

// Wake signals the notifier that there are new items in the outbox.
func (n *Notifier) Wake() {
	for _, c := range n.wake {
		select {
		case c <- struct{}{}:
		default: // it has been signalled already
		}
	}
}

// Run delivers until the context ends. It returns early only when the outbox
// fails, with that error.
func (n *Notifier) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	for name := range n.channels {
		group.Go(func() error { return n.serve(ctx, name) })
	}
	return group.Wait()
}

// serve delivers the items of one channel, one after the other.
func (n *Notifier) serve(ctx context.Context, name string) error {
	for {
		item, any, err := n.outbox.Oldest(name)
		if err != nil {
			return err
		}
		if !any {
			select {
			case <-ctx.Done():
				return nil
			case <-n.wake[name]:
				continue
			}
		}
		// A clock that was ahead when it was kept puts off nothing for longer.
		if !pause(ctx, min(item.Next.Sub(n.now()), longestPause)) {
			return nil
		}
		if err := n.attempt(ctx, item); err != nil {
			return err
		}
	}
}

// pause waits and reports whether the context is still live.
func pause(ctx context.Context, d time.Duration) bool {
	if d <= 0 {
		return ctx.Err() == nil
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// attempt sends one item once and keeps what came of it. Its error is that of
// the outbox.
func (n *Notifier) attempt(ctx context.Context, item Item) error {
	limited, cancel := context.WithTimeout(ctx, attemptTime)
	defer cancel()
	err := n.channels[item.Channel].Send(limited, item.Action)
	if ctx.Err() != nil && err != nil {
		return nil // shutting down: no fault of the channel
	}
	now := n.now()
	item.bound(now)
	log := n.log.With("channel", item.Channel, "message", item.Action.Key)
	var refusal *Refusal
	switch {
	case err == nil:
		if item.Attempts > 0 {
			log.Info("message delivered after failures", "attempts", item.Attempts+1)
		}
		return n.outbox.Settle(item)
	case errors.As(err, &refusal) || now.Sub(item.Action.At) > GiveUpAfter:
		log.Error("message lost", "error", err)
		item.Lost, item.Failure = true, err.Error()
		return n.outbox.Settle(item)
	}
	if item.Attempts == 0 {
		item.Failing = now
		log.Warn("message not delivered, will be tried again", "error", err)
	}
	item.Attempts++
	item.Failure = err.Error()
	pauses := backoff.Pauses{First: firstPause, Longest: longestPause, Jitter: 0.5}
	item.Next = now.Add(pauses.After(item.Attempts, rand.Float64()))
	return n.outbox.Retry(item)
}

// bound takes moments that were kept while the clock was ahead for now.
func (i *Item) bound(now time.Time) {
	for _, at := range []*time.Time{&i.Failing, &i.Action.At} {
		if at.After(now) {
			*at = now
		}
	}
}

// Health reports every channel by name, in order: what waits, and whether its
// messages have failed for so long that it counts as dead. That rests on the
// outbox alone, so it is the same after a restart.
func (n *Notifier) Health() ([]alert.Channel, error) {
	var out []alert.Channel
	for _, name := range slices.Sorted(maps.Keys(n.channels)) {
		waiting, err := n.outbox.Waiting(name)
		if err != nil {
			return nil, err
		}
		c := alert.Channel{Name: name, Waiting: waiting}
		item, any, err := n.outbox.Oldest(name)
		if err != nil {
			return nil, err
		}
		if any && item.Attempts > 0 && n.now().Sub(item.Failing) >= DeadAfter {
			c.Dead, c.Why = true, item.Failure
		}
		out = append(out, c)
	}
	return out, nil
}
