package server

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"arcdrift/agent/forward"
	"arcdrift/agent/store"
)

// Thinning reads every machine's history: it waits until the agent has started
// well, and is done once a day.
const (
	thinFirst = 10 * time.Minute
	thinEvery = 24 * time.Hour
)

// leastCounts is the smallest number of arc counts that are kept whole.
const leastCounts = 100

// thinner thins old arc counts from time to time.
type thinner struct {
	store *store.Store
	keep  int
	hub   *forward.Hub // what it does not have yet stays; nil for none
	log   *slog.Logger
}

func (t *thinner) String() string { return "thinning of old arc counts" }

// Ready returns nil: nobody waits for it.
func (t *thinner) Ready() error { return nil }

// Run thins until ctx ends. What goes wrong is logged and tried again the next
// day: a store that is too large is no reason to stop.
func (t *thinner) Run(ctx context.Context) error {
	for pause := thinFirst; ; pause = thinEvery {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		if err := t.thin(ctx); err != nil && ctx.Err() == nil {
			t.log.Error("old arc counts are not thinned", "error", err)
		}
	}
}

func (t *thinner) thin(ctx context.Context) error {
	what := store.Compaction{Keep: t.keep}
	if t.hub != nil {
		at, err := t.store.Cursor(t.hub.Name())
		if err != nil {
			return fmt.Errorf("how far the hub has got cannot be read: %w", err)
		}
		what.Hub = &at
	}
	n, err := t.store.Compact(ctx, what)
	if n > 0 {
		t.log.Info("old arc counts thinned", "counts", n, "kept_whole", t.keep)
	}
	return err
}
