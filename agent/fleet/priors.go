package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"slices"

	"arcdrift/drift/model"
)

// priors finds kept populations and keeps those it had to learn. The newest are
// kept where a running fleet keeps its own, and the machines' notes belong to
// them; those of earlier midnights are kept for questions about the past.
type priors struct {
	ledger CachingReader
	build  string

	current digest            // of the newest populations known here
	changed map[string][]byte // what is to be kept
}

// pastName is the name under which populations of earlier midnights are kept; no
// machine has it.
const pastName = "@past"

// mostPast is how many of them are kept.
const mostPast = 8

// look reads the fleet at a cut. Its populations are those that were kept, if
// nothing has come since that they should have been learnt from.
func (p *priors) look(c cut) (*world, error) {
	w, err := survey(p.ledger, c)
	if err != nil {
		return nil, err
	}
	newest, past, err := p.kept()
	if err != nil {
		return nil, err
	}
	for _, l := range append([]lesson{newest}, past...) {
		if !p.holds(&l, w) {
			continue
		}
		if w.pop, err = model.PopulationFromState(l.Populations); err != nil {
			break // it is learnt anew
		}
		w.marks = l.Marks
		if w.learnt.Equal(newest.Learnt) {
			w.shelf, w.id, p.current = p.ledger, l.id(), l.id()
		}
		return w, nil
	}
	return w, p.learn(w, newest, past)
}

// kept reads what is kept.
func (p *priors) kept() (newest lesson, past []lesson, err error) {
	raw, err := p.ledger.Cached(lessonName)
	if err != nil {
		return newest, nil, err
	}
	if json.Unmarshal(raw, &newest) != nil || newest.Build != p.build {
		newest = lesson{}
	}
	raw, err = p.ledger.Cached(pastName)
	if err != nil {
		return newest, nil, err
	}
	if json.Unmarshal(raw, &past) != nil {
		past = nil
	}
	return newest, slices.DeleteFunc(past, func(l lesson) bool { return l.Build != p.build }), nil
}

// holds says whether learning now would give these populations.
func (p *priors) holds(l *lesson, w *world) bool {
	if l.Build != p.build || !l.Learnt.Equal(w.learnt) || l.Told != w.told {
		return false
	}
	const page = 1000
	for epoch, seq := l.Epoch, l.Seq; ; {
		entries, err := p.ledger.Since(epoch, seq, page)
		if err != nil {
			return false
		}
		for i := range entries {
			e := &entries[i]
			// A gap is a count that was thinned, and may have been an old one.
			gap := e.StoreEpoch == epoch && e.StoreSeq != seq+1
			if gap || !e.When().After(l.Learnt) {
				return false
			}
			epoch, seq = e.StoreEpoch, e.StoreSeq
		}
		if len(entries) < page {
			return true
		}
	}
}

// learn learns the populations and has them kept: as the newest, or among the past
// ones if newer are known.
func (p *priors) learn(w *world, newest lesson, past []lesson) error {
	var err error
	if w.epoch, w.seq, err = p.ledger.Last(); err != nil {
		return err
	}
	if err := w.learn(context.Background()); err != nil {
		return err
	}
	learnt := w.lesson(p.build)
	if w.learnt.Before(newest.Learnt) {
		return p.change(pastName, foremost(past, learnt))
	}
	w.shelf, w.id, p.current = p.ledger, learnt.id(), learnt.id()
	if newest.Build != "" && newest.Learnt.Before(w.learnt) {
		err = p.change(pastName, foremost(past, newest))
	}
	return errors.Join(err, p.change(lessonName, learnt))
}

// foremost puts a midnight's populations before the others, in place of any others of
// that midnight.
func foremost(past []lesson, l lesson) []lesson {
	past = slices.DeleteFunc(past, func(old lesson) bool { return old.Learnt.Equal(l.Learnt) })
	past = append([]lesson{l}, past...)
	return past[:min(len(past), mostPast)]
}

// change has a value kept under a name.
func (p *priors) change(name string, value any) error {
	raw, err := json.Marshal(value)
	if err != nil {
		return err
	}
	if p.changed == nil {
		p.changed = map[string][]byte{}
	}
	p.changed[name] = raw
	return nil
}

// keep keeps what was learnt.
func (p *priors) keep() error {
	if len(p.changed) == 0 {
		return nil
	}
	err := p.ledger.PutCached(p.changed)
	if err == nil {
		p.changed = nil
	}
	return err
}
