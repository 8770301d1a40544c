package model

import (
	"cmp"
	"hash/fnv"
	"slices"
	"strings"
	"sync"

	"arcdrift/drift"
)

// Key names a population: what is compared with what.
type Key struct{ Model, Program string }

// History is one machine's events, in order, with the population it belongs to.
type History struct {
	Machine string
	Key     Key
	Events  []Event
	// AttemptLimit is the tries after which a session without a pass is given up.
	AttemptLimit int
}

// Population is what a fleet has taught of its models and their programs.
type Population struct {
	byKey map[Key]*Params
	all   Params
}

// kind is what machines are learnt together by: their model. Programs share its
// pairs.
func (k Key) kind() Key { return Key{Model: k.Model} }

// For returns what is known of a kind: that of its model, or that of the whole fleet.
func (p *Population) For(k Key) *Params {
	if params, ok := p.byKey[k.kind()]; ok {
		return params
	}
	return &p.all
}

// Keys lists the populations in order, of each model without a program.
func (p *Population) Keys() []Key {
	keys := make([]Key, 0, len(p.byKey))
	for k := range p.byKey {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, Key.compare)
	return keys
}

func (k Key) compare(other Key) int {
	if c := strings.Compare(k.Model, other.Model); c != 0 {
		return c
	}
	return strings.Compare(k.Program, other.Program)
}

const (
	// sampleMachines is how many machines of a kind are asked for its population;
	// more would make it slower and hardly better.
	sampleMachines = 60
	// The fleet as a whole is only where its kinds start from.
	fewMachines = 24
)

// Sample is the machines that are asked for the populations: of every kind
// those whose names have the smallest hashes, so that the choice depends neither
// on the order of enrolling nor on who else is there. The zero value is empty.
type Sample struct {
	byKey map[Key][]History
}

// Enrol offers a machine's history and keeps it if it is among those asked.
func (s *Sample) Enrol(h History) {
	if h.AttemptLimit == 0 {
		h.AttemptLimit = drift.DefaultAttemptLimit
	}
	if s.byKey == nil {
		s.byKey = map[Key][]History{}
	}
	k := h.Key.kind()
	s.byKey[k] = firstByHash(append(s.byKey[k], h), sampleMachines)
}

// Histories returns those asked of one kind, in order of asking.
func (s *Sample) Histories(k Key) []History { return s.byKey[k.kind()] }

// Learn estimates the populations: a pure function of the histories enrolled.
func (s *Sample) Learn() *Population {
	var everybody []History
	keys := make([]Key, 0, len(s.byKey))
	for k, hs := range s.byKey {
		everybody = append(everybody, hs...)
		keys = append(keys, k)
	}
	slices.SortFunc(keys, Key.compare)
	pop := &Population{byKey: map[Key]*Params{}, all: learnKind(Prior(), firstByHash(everybody, fewMachines), quickSearch())}
	pop.all.OneTarget = false // of another model nothing tells what it aims at
	learnt := make([]Params, len(keys))
	var group sync.WaitGroup
	for i, k := range keys {
		group.Go(func() { learnt[i] = learnKind(pop.all, s.byKey[k], fullSearch()) })
	}
	group.Wait()
	for i, k := range keys {
		pop.byKey[k] = &learnt[i]
	}
	return pop
}

// firstByHash sorts the histories and returns at most so many of them.
func firstByHash(histories []History, most int) []History {
	slices.SortFunc(histories, func(a, b History) int {
		return cmp.Or(cmp.Compare(hash(a.Machine), hash(b.Machine)), cmp.Compare(a.Machine, b.Machine))
	})
	return histories[:min(len(histories), most)]
}

func hash(s string) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s))
	return h.Sum64()
}
