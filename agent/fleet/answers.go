package fleet

import (
	"context"
	"slices"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// CachingReader is a store to which one program has sole access, and whose entries are
// numbered in the order in which they were taken.
type CachingReader interface {
	Reader
	Cache
	// Last returns the number of the newest entry, zeros for an empty store.
	Last() (epoch, seq uint64, err error)
	// Since returns at most limit entries after that number, in order.
	Since(epoch, seq uint64, limit int) ([]drift.Entry, error)
}

// Answers answers for a program that has a store to itself and may end after one
// question. What it learns it keeps in the store, so that the next such program
// answers without learning. Make it with [NewAnswers]; it is for one goroutine.
type Answers struct {
	book  Reader
	now   func() time.Time
	eras  eras
	notes notes // without a shelf when nothing is kept
}

// NewAnswers answers from a book that does not change meanwhile, and keeps
// nothing. now is the wall clock.
func NewAnswers(book Reader, now func() time.Time) *Answers {
	return &Answers{book: book, now: now}
}

// NewKeptAnswers answers from a ledger and keeps there what it learns; build names
// the program, as another may learn otherwise.
func NewKeptAnswers(book CachingReader, build string, now func() time.Time) *Answers {
	a := NewAnswers(book, now)
	a.eras.priors = &priors{ledger: book, build: build}
	a.notes = notes{shelf: book, build: build, fresh: map[string][]byte{}}
	return a
}

// AssessAt answers at a moment, by default now: for one machine, or with "" for
// all, worst first. With knownAt only what had arrived by then counts.
func (a *Answers) AssessAt(machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	at := asOf.Or(knownAt.Or(a.now()))
	if knownAt.Known() {
		return Replay(a.book, machine, at, knownAt)
	}
	w, err := a.eras.at(a.book, at)
	if err != nil {
		return nil, err
	}
	if w.shelf == nil {
		return w.assess(machine)
	}
	var members []*member
	for names := range slices.Chunk(w.named(machine), mostFresh) {
		if len(members) > 0 && a.Keep() != nil {
			a.notes.clear() // the answer matters more than the next one's pace
		}
		some := make([]*member, len(names))
		err = each(context.Background(), w.processors, names, func(i int, name string) (err error) {
			some[i], err = a.notes.current(w, name)
			return err
		})
		if err != nil {
			return nil, err
		}
		members = append(members, some...)
	}
	return w.answers(members, machine), nil
}

// Move answers a crew that has moved; without a moment it asks about now.
func (a *Answers) Move(q advise.Move) (advise.MoveAnswer, error) {
	if q.AsOf.IsZero() {
		q.AsOf = a.now()
	}
	w, err := a.eras.at(a.book, q.AsOf)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	if w.shelf == nil {
		return w.move(q)
	}
	if _, err := a.notes.current(w, q.Machine); err != nil { // the next question goes on from there
		return advise.MoveAnswer{}, err
	}
	l, _, err := a.notes.later(w, q.Machine)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	return l.moved(w, q), nil
}

// Keep keeps what was worked out since. Losing it costs time only.
func (a *Answers) Keep() error {
	p := a.eras.priors
	if p == nil {
		return nil
	}
	if err := p.keep(); err != nil {
		return err
	}
	a.notes.id = p.current // is kept
	return a.notes.keep(&world{id: p.current}, a.now())
}
