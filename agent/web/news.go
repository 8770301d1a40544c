package web

import (
	"context"
	"sync"
	"time"

	"arcdrift/drift/advise"
)

// patience is how long a page waits for what the model is asked about; what is
// not there by then follows with the next look. Who must not leave the yard does
// not wait.
const patience = time.Second

// news keeps what was worked out of machines until a machine's own answer
// changes, so that a page many people look at asks the model once per news. One
// is worked out at a time: that may not take the whole of a small computer.
type news[T any] struct {
	work  func(a *advise.Assessment) (T, error)
	weigh func(T) int
	// last names the last entry of a machine: what a correction changes need
	// not show in the rounded figures of an answer.
	last func(machine string) string
	turn chan struct{} // held by the one who works

	mu     sync.Mutex
	kept   map[string]keptNews[T]
	weight int
}

type keptNews[T any] struct {
	of    told
	value T
}

// told is what a machine's records and its answer were.
type told struct {
	last  string
	data  advise.Data
	drift advise.Drift
}

func (n *news[T]) told(a *advise.Assessment) told { return told{n.last(a.Machine), a.Data, a.Drift} }

// mostWeight is how many attempts, drawn or told, are kept in all, some 30 MB.
const mostWeight = 200_000

func newNews[T any](work func(*advise.Assessment) (T, error), weigh func(T) int, last func(string) string) *news[T] {
	return &news[T]{work: work, weigh: weigh, last: last, turn: make(chan struct{}, 1), kept: map[string]keptNews[T]{}}
}

// get returns what is kept of a machine, and whether it is of now.
func (n *news[T]) get(machine string, now told) (value T, known, fresh bool) {
	n.mu.Lock()
	defer n.mu.Unlock()
	k, known := n.kept[machine]
	return k.value, known, known && k.of == now
}

func (n *news[T]) put(machine string, now told, value T) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.weight += n.weigh(value) - n.weigh(n.kept[machine].value)
	if n.weight > mostWeight {
		n.kept, n.weight = map[string]keptNews[T]{}, n.weigh(value)
	}
	n.kept[machine] = keptNews[T]{now, value}
}

// of returns what there is of a machine. It waits for its turn until ctx ends;
// what is once begun is finished and kept.
func (n *news[T]) of(ctx context.Context, a *advise.Assessment) (T, error) {
	now := n.told(a)
	if value, _, fresh := n.get(a.Machine, now); fresh {
		return value, nil
	}
	var none T
	select {
	case n.turn <- struct{}{}:
		defer func() { <-n.turn }()
	case <-ctx.Done():
		return none, ctx.Err()
	}
	if value, _, fresh := n.get(a.Machine, now); fresh { // worked out while this one waited
		return value, nil
	}
	value, err := n.work(a)
	if err != nil {
		return none, err
	}
	n.put(a.Machine, now, value)
	return value, nil
}

// soon returns what there is of the machines when ctx ends at the latest, of
// some perhaps what was true before their last news; whole says whether all of
// it is there and new.
func (n *news[T]) soon(ctx context.Context, wanted ...*advise.Assessment) (values map[string]T, whole bool, err error) {
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
	if err != nil && ctx.Err() == nil {
		return nil, false, err
	}
	values, whole = map[string]T{}, true
	for _, a := range wanted {
		value, known, fresh := n.get(a.Machine, n.told(a))
		whole = whole && fresh
		if known {
			values[a.Machine] = value
		}
	}
	return values, whole, nil
}
