package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"arcdrift/agent/intake"
	"arcdrift/agent/wire"
	"arcdrift/drift"
	"arcdrift/drift/blind"
)

// memory is a store in memory: what intake keeps and what a replay reads. It holds
// one fleet and has one writer.
type memory struct {
	ids      map[string][]drift.Entry // by id, those with different bodies
	entries  int
	machines map[string][]drift.Entry
	setups   []drift.Entry
	refused  []drift.Refusal
}

// take lets the lines of a fleet in through the ordinary decoder and the ordinary
// intake, each arriving when it did.
func take(ctx context.Context, lines []blind.Line) (*memory, error) {
	b := &memory{ids: map[string][]drift.Entry{}, machines: map[string][]drift.Entry{}}
	if len(lines) == 0 {
		return b, nil
	}
	offers := make([]intake.Submission, len(lines))
	for i, line := range lines {
		o := intake.Submission{Raw: line.JSON, Line: i + 1, Via: "import", Received: line.Received}
		r, err := wire.Record(line.JSON)
		if o.Record = r; err != nil {
			o.Problem = drift.ProblemOf(err)
		}
		offers[i] = o
	}
	last := slices.MaxFunc(lines, func(a, b blind.Line) int { return a.Received.Compare(b.Received) }).Received
	in := intake.New(b, func() time.Time { return last }, func([]drift.Entry) {})
	ctx, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx) }()
	_, err := in.Take(ctx, offers)
	stop()
	return b, errors.Join(err, <-ended)
}

// Append implements [intake.Store].
func (b *memory) Append(entries []drift.Entry, refusals []drift.Refusal) ([]drift.Placement, error) {
	placed := make([]drift.Placement, len(entries))
	for i := range entries {
		placed[i] = b.keep(entries[i])
	}
	b.refused = append(b.refused, refusals...)
	return placed, nil
}

// keep keeps one entry, unless it is there.
func (b *memory) keep(e drift.Entry) drift.Placement {
	if e.PossibleRepeat {
		// Intake makes up an id by chance: here equal runs are to be equal.
		e.ID = fmt.Sprintf("unnamed-%d", b.entries+1)
	}
	for _, old := range b.ids[e.ID] {
		if old.SameBody(&e.Record) {
			return drift.Placement{Epoch: old.StoreEpoch, Seq: old.StoreSeq, Duplicate: true}
		}
	}
	conflict := len(b.ids[e.ID]) > 0
	b.entries++
	e.StoreEpoch, e.StoreSeq = 1, uint64(b.entries)
	b.ids[e.ID] = append(b.ids[e.ID], e)
	if !conflict {
		if e.Machine != "" {
			b.machines[e.Machine] = append(b.machines[e.Machine], e)
		}
		if e.Type == drift.TypeSetup {
			b.setups = append(b.setups, e)
		}
	}
	return drift.Placement{Epoch: e.StoreEpoch, Seq: e.StoreSeq, Conflict: conflict}
}

// barometer says whether a machine's records state station pressure.
func (b *memory) barometer(machine string) bool {
	return slices.ContainsFunc(b.machines[machine], func(e drift.Entry) bool {
		return e.Calibration != nil && e.Calibration.Pressure.Known()
	})
}

// Counters are none: intake starts with an empty store.
func (b *memory) Counters() (map[string]drift.Counter, error) {
	return map[string]drift.Counter{}, nil
}

// Machines returns the names in order.
func (b *memory) Machines() ([]string, error) {
	names := make([]string, 0, len(b.machines))
	for name := range b.machines {
		names = append(names, name)
	}
	slices.Sort(names)
	return names, nil
}

// History returns everything of one machine.
func (b *memory) History(machine string) ([]drift.Entry, error) {
	return slices.Clone(b.machines[machine]), nil
}

// Setups returns the setups of all scopes.
func (b *memory) Setups() ([]drift.Entry, error) { return slices.Clone(b.setups), nil }

// Refused counts those of each machine.
func (b *memory) Refused() (map[string]int, error) {
	out := map[string]int{}
	for i := range b.refused {
		out[b.refused[i].Machine]++
	}
	return out, nil
}
