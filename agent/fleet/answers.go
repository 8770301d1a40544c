package fleet

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// CachingReader is a store to which one program has sole access. Its entries are
// numbered in the order of taking.
type CachingReader interface {
	Reader
	Cache
	// Last returns the number of the newest entry, zeros for an empty store.
	Last() (epoch, seq uint64, err error)
	// Since returns at most limit entries after that number, in order.
	Since(epoch, seq uint64, limit int) ([]drift.Entry, error)
}

// Answers answers for a program that has a store to itself and may end after one
// question. It keeps in the store what it learns, so that the next program answers
// without learning. It is for one goroutine.
type Answers struct {
	reader      Reader
	now         func() time.Time
	priors      priorCache
	checkpoints checkpoints // without a cache if nothing is kept
}

// NewAnswers answers from a reader whose records do not change, and keeps nothing. now
// is the wall clock.
func NewAnswers(reader Reader, now func() time.Time) *Answers {
	return &Answers{reader: reader, now: now}
}

// NewKeptAnswers answers from a reader and keeps there what it learns. build names the
// program's build: another may learn something else.
func NewKeptAnswers(reader CachingReader, build string, now func() time.Time) *Answers {
	a := NewAnswers(reader, now)
	a.priors.stored = &storedPriors{reader: reader, build: build}
	a.checkpoints = checkpoints{cache: reader, build: build, fresh: map[string][]byte{}}
	return a
}

// NewSharedAnswers answers from a reader whose records several processes have, and keeps
// nothing. It answers with the populations that they have published for the day, as they do,
// so that a question about one machine reads that machine only. Where there are none, and
// for other days, it learns from a sample of the machines if there are many.
func NewSharedAnswers(reader CachingReader, build string, now func() time.Time) *Answers {
	a := NewAnswers(reader, now)
	a.priors.published = func(g *generation) (*model.Population, map[string][]drift.Mark) {
		raw, err := reader.Cached(priorName)
		var l cachedPrior
		if err != nil || json.Unmarshal(raw, &l) != nil || l.Build != build || !l.Learnt.Equal(g.learnt) {
			return nil, nil
		}
		pop, err := model.PopulationFromState(l.Populations)
		if err != nil {
			return nil, nil // they are learnt here
		}
		return pop, l.Marks
	}
	a.priors.sample = someByHash
	return a
}

// AssessAt answers for a moment, by default now: for one machine or, with "", for all,
// worst first. With knownAt, only records that had arrived by then count.
func (a *Answers) AssessAt(machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	at := asOf.Or(knownAt.Or(a.now()))
	if knownAt.Known() {
		return Replay(a.reader, machine, at, knownAt)
	}
	g, err := a.priors.at(a.reader, at)
	if err != nil {
		return nil, err
	}
	if g.cache == nil {
		return g.assess(machine)
	}
	var members []*member
	for names := range slices.Chunk(g.named(machine), mostFresh) {
		if len(members) > 0 && a.Keep() != nil {
			a.checkpoints.clear() // this answer matters more than the speed of the next
		}
		some := make([]*member, len(names))
		err = each(context.Background(), g.processors, names, func(i int, name string) (err error) {
			some[i], err = a.checkpoints.current(g, name)
			return err
		})
		if err != nil {
			return nil, err
		}
		members = append(members, some...)
	}
	return g.answers(members, machine), nil
}

// Move answers a crew that has moved. A question without a moment is about now.
func (a *Answers) Move(q advise.Move) (advise.MoveAnswer, error) {
	if q.AsOf.IsZero() {
		q.AsOf = a.now()
	}
	g, err := a.priors.at(a.reader, q.AsOf)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	if g.cache == nil {
		return g.move(q)
	}
	if _, err := a.checkpoints.current(g, q.Machine); err != nil { // the next question continues from there
		return advise.MoveAnswer{}, err
	}
	l, _, err := a.checkpoints.since(g, q.Machine)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	return l.moved(g, q), nil
}

// Keep stores what was computed since the last call. Losing it costs time only.
func (a *Answers) Keep() error {
	p := a.priors.stored
	if p == nil {
		return nil
	}
	if err := p.keep(); err != nil {
		return err
	}
	a.checkpoints.id = p.current // is stored
	return a.checkpoints.keep(&generation{id: p.current}, a.now())
}
