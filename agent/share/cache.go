package share

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
)

// patience is how long one reading or writing of published states may take.
const patience = 30 * time.Second

// publishAtOnce is for how many slots states are published at once: each is a transaction
// of its own, and their commits wait together.
const publishAtOnce = 4

// readAtOnce is of how many machines the records are read at once; what was read takes a
// kilobyte or two for each record.
const readAtOnce = 100

// slot is where a name of the cache is published.
func (s *Share) slot(name string) int {
	if machine, of := fleet.MachineOf(name); of {
		return s.table.Slot(machine)
	}
	return Whole
}

// After implements [fleet.Cache].
func (s *Share) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	return s.entries.After(machine, link)
}

// Cached implements [fleet.Cache]: it is what was published, by whichever process.
func (s *Share) Cached(name string) ([]byte, error) {
	ctx, stop := context.WithTimeout(context.Background(), patience)
	defer stop()
	return s.table.Value(ctx, s.slot(name), name)
}

// Together implements [fleet.Many]: machines of one slot are read at once.
func (s *Share) Together(names []string) [][]string {
	bySlot := map[int][]string{}
	for _, name := range names {
		slot := s.slot(name)
		bySlot[slot] = append(bySlot[slot], name)
	}
	var out [][]string
	for _, slot := range slices.Sorted(maps.Keys(bySlot)) {
		out = slices.AppendSeq(out, slices.Chunk(bySlot[slot], readAtOnce))
	}
	return out
}

// Values implements [fleet.Many].
func (s *Share) Values(names []string) (map[string][]byte, error) {
	if len(names) == 0 {
		return nil, nil
	}
	ctx, stop := context.WithTimeout(context.Background(), patience)
	defer stop()
	return s.table.Values(ctx, s.slot(names[0]), names)
}

// Stretches implements [fleet.Many].
func (s *Share) Stretches(links map[string][]byte) (map[string]fleet.Stretch, error) {
	for name := range links {
		ctx, stop := context.WithTimeout(context.Background(), patience)
		defer stop()
		return s.table.Stretches(ctx, s.slot(name), links)
	}
	return nil, nil
}

// PutCached implements [fleet.Cache]: it publishes what this process works on, and leaves
// out the rest.
func (s *Share) PutCached(values map[string][]byte) error {
	bySlot := map[int]map[string][]byte{}
	for name, value := range values {
		slot := s.slot(name)
		if bySlot[slot] == nil {
			bySlot[slot] = map[string][]byte{}
		}
		bySlot[slot][name] = value
	}
	ctx, stop := context.WithTimeout(context.Background(), patience)
	defer stop()
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(publishAtOnce)
	for slot, some := range bySlot {
		lease, held := s.Lease(slot)
		if !held {
			continue
		}
		group.Go(func() error {
			if err := s.table.Publish(ctx, slot, lease.Fence, some); err != nil && !errors.Is(err, ErrFenced) {
				return err
			}
			return nil
		})
	}
	return group.Wait()
}
