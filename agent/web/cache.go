package web

import (
	"context"
	"sync"
	"time"

	"arcdrift/drift/advise"
)

// patience is how long a page waits for what the model calculates; what is
// not there by then follows with the next request. Who must not leave the yard does
// not wait.
const patience = time.Second

// cache keeps what was calculated for machines until a machine's own answer
// changes, so that a page many people look at asks the model once per change. One
// is calculated at a time, so that it does not take the whole of a small computer.
type cache[T any] struct {
	*kept[T]
	// show is what somebody sees of what is kept, nil for all of it.
	show func(machine string, value T) T
}

// shownAs is the same cache for somebody who sees a part of what is kept.
func (n *cache[T]) shownAs(show func(machine string, value T) T) *cache[T] {
	return &cache[T]{n.kept, show}
}

// shown is a value as it is seen.
func (n *cache[T]) shown(machine string, value T) T {
	if n.show == nil {
		return value
	}
	return n.show(machine, value)
}

// kept is what a cache holds for everybody.
type kept[T any] struct {
	work  func(a *advise.Assessment) (T, error)
	weigh func(T) int
	// last names the last entry of a machine: what a correction changes need
	// not show in the rounded figures of an answer.
	last func(machine string) string
	turn chan struct{} // taken by the one that works

	mu     sync.Mutex
	values map[string]cached[T]
	weight int
}

type cached[T any] struct {
	of    version
	value T
}

// version is what a machine's records and its answer were.
type version struct {
	last  string
	data  advise.Data
	drift advise.Drift
}

func (n *kept[T]) version(a *advise.Assessment) version {
	return version{n.last(a.Machine), a.Data, a.Drift}
}

// mostWeight is how many attempts, drawn or judged, are kept in all, some 30 MB.
const mostWeight = 200_000

func newCache[T any](work func(*advise.Assessment) (T, error), weigh func(T) int, last func(string) string) *cache[T] {
	return &cache[T]{kept: &kept[T]{work: work, weigh: weigh, last: last, turn: make(chan struct{}, 1), values: map[string]cached[T]{}}}
}

// get returns what is kept of a machine, and whether it is of now.
func (n *kept[T]) get(machine string, now version) (value T, known, fresh bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	k, known := n.values[machine]
	return k.value, known, known && k.of == now
}

func (n *kept[T]) put(machine string, now version, value T) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.weight += n.weigh(value) - n.weigh(n.values[machine].value)
	if n.weight > mostWeight {
		n.values, n.weight = map[string]cached[T]{}, n.weigh(value)
	}
	n.values[machine] = cached[T]{now, value}
}

// of returns what there is of a machine. It waits for its turn until ctx ends;
// what is once begun is finished and kept.
func (n *cache[T]) of(ctx context.Context, a *advise.Assessment) (T, error) {
	now := n.version(a)
	if value, _, fresh := n.get(a.Machine, now); fresh {
		return n.shown(a.Machine, value), nil
	}
	var none T
	select {
	case n.turn <- struct{}{}:
		defer func() { <-n.turn }()
	case <-ctx.Done():
		return none, ctx.Err()
	}
	if value, _, fresh := n.get(a.Machine, now); fresh { // worked out while this one waited
		return n.shown(a.Machine, value), nil
	}
	value, err := n.work(a)
	if err != nil {
		return none, err
	}
	n.put(a.Machine, now, value)
	return n.shown(a.Machine, value), nil
}

// soon returns what there is of the machines when ctx ends at the latest, of
// some perhaps what was true before their last change; whole says whether all of
// it is there and new. With an error comes what there was before.
func (n *cache[T]) soon(ctx context.Context, wanted ...*advise.Assessment) (values map[string]T, whole bool, err error) {
	done := make(chan error, 1)
	go func() {
		for _, a := range wanted {
			if ctx.Err() != nil {
				break
			}
			if _, err := n.of(ctx, a); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	select {
	case err = <-done:
	case <-ctx.Done():
	}
	if ctx.Err() != nil {
		err = nil
	}
	values, whole = map[string]T{}, err == nil
	for _, a := range wanted {
		value, known, fresh := n.get(a.Machine, n.version(a))
		whole = whole && fresh
		if known {
			values[a.Machine] = n.shown(a.Machine, value)
		}
	}
	return values, whole, err
}
