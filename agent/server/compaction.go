package server

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"arcdrift/agent/forward"
	"arcdrift/agent/reach"
	"arcdrift/agent/store"
)

// Compaction reads every machine's history: it waits until the agent has started, and
// runs once a day.
const (
	compactFirst = 10 * time.Minute
	compactEvery = 24 * time.Hour
)

// leastCounts is the smallest number of each machine's arc counts that may be kept.
const leastCounts = 100

// compactable is a store whose old arc counts can be reduced.
type compactable interface {
	reach.Compactor
	Cursor(hub string) (store.Cursor, error)
}

// compactor removes old arc counts that no answer needs, once a day.
type compactor struct {
	store compactable
	keep  int
	hub   *forward.Hub // what it does not have yet is kept; nil for none
	leads func() bool  // of several processes with one store one compacts; nil for always
	log   *slog.Logger
}

func (c *compactor) String() string { return "compaction of old arc counts" }

// Ready returns nil: nothing waits for it.
func (c *compactor) Ready() error { return nil }

// Run compacts until ctx ends. An error is logged, and the next day it tries again: a
// store that is too large is no reason to stop.
func (c *compactor) Run(ctx context.Context) error {
	for pause := compactFirst; ; pause = compactEvery {
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(pause):
		}
		if c.leads != nil && !c.leads() {
			continue
		}
		if err := c.compact(ctx); err != nil && ctx.Err() == nil {
			c.log.Error("old arc counts could not be compacted", "error", err)
		}
	}
}

func (c *compactor) compact(ctx context.Context) error {
	what := store.Compaction{Keep: c.keep}
	if c.hub != nil {
		at, err := c.store.Cursor(c.hub.Name())
		if err != nil {
			return fmt.Errorf("the position of the hub in the store cannot be read: %w", err)
		}
		what.Hub = &at
	}
	n, err := c.store.Compact(ctx, what)
	if n > 0 {
		c.log.Info("old arc counts compacted", "counts", n, "kept_whole", c.keep)
	}
	return err
}
