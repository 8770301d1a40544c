package model

import (
	"cmp"
	"hash/fnv"
	"slices"
	"strings"
	"sync"

	"arcdrift/drift"
)

// Key names a population: machines of one model, in one program.
type Key struct{ Model, Program string }

// History is one machine's events, in order of time, with its population.
type History struct {
	Machine string
	Key     Key
	Events  []Event
	// AttemptLimit is the number of attempts after which a session without a pass is
	// given up.
	AttemptLimit int
}

// Population has the parameters of each model of a fleet, and of the fleet as a whole.
type Population struct {
	byKey map[Key]*Params
	all   Params
}

// kind is the key of a model without a program: programs share its pairs, so parameters
// are estimated by model.
func (k Key) kind() Key { return Key{Model: k.Model} }

// For returns the parameters of a model or, if it has none, of the whole fleet. They must
// not be changed.
func (p *Population) For(k Key) *Params {
	if params, ok := p.byKey[k.kind()]; ok {
		return params
	}
	return &p.all
}

// Keys lists the models in order, each without a program.
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
	// sampleMachines is the most machines of a kind that the estimates use: more would
	// make them slower and hardly better.
	sampleMachines = 60
	// The fleet as a whole only gives the prior of its kinds.
	fewMachines = 24
)

// Sample has the machines that the estimates use: of each kind those whose names have the
// smallest hashes, so that the choice does not depend on the order of enrolling. The
// zero value is empty.
type Sample struct {
	// Mixed is whether the machines belong to several customers. One name of a site may
	// then mean two places, and heights of sites are not learnt.
	Mixed bool

	byKey map[Key][]History
}

// Enrol offers a machine's history and keeps it if it belongs to the sample. It keeps the
// slice of events.
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

// Histories returns those of one kind in the sample, in the order of their hashes.
func (s *Sample) Histories(k Key) []History { return s.byKey[k.kind()] }

// Learn estimates the parameters of all kinds, on all processors: a pure function of the
// histories enrolled.
func (s *Sample) Learn() *Population {
	var everybody []History
	keys := make([]Key, 0, len(s.byKey))
	for k, hs := range s.byKey {
		everybody = append(everybody, hs...)
		keys = append(keys, k)
	}
	slices.SortFunc(keys, Key.compare)
	start := Prior()
	if !s.Mixed {
		start.Sites = sitesOf(everybody)
	}
	pop := &Population{byKey: map[Key]*Params{}, all: learnKind(start, firstByHash(everybody, fewMachines), quickSearch())}
	pop.all.OneTarget = false // what another model aims at is unknown
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
