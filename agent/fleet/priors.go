package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"slices"

	"arcdrift/drift/model"
)

// storedPriors finds populations in the cache and stores those it had to learn. The
// newest are stored under the name that a running fleet uses, and the machines'
// checkpoints belong to them. Those of earlier midnights are for questions about the
// past.
type storedPriors struct {
	reader CachingReader
	build  string

	current digest            // of the newest populations known here
	changed map[string][]byte // not stored yet
}

// pastName is the cache's name of the populations of earlier midnights; no machine has
// it.
const pastName = "@past"

// mostPast is how many of those are stored.
const mostPast = 8

// look reads the fleet at a cut. It takes stored populations if no record has come since
// that they should have been learnt from.
func (p *storedPriors) look(c cut) (*generation, error) {
	g, err := survey(p.reader, c)
	if err != nil {
		return nil, err
	}
	newest, past, err := p.kept()
	if err != nil {
		return nil, err
	}
	for _, l := range append([]cachedPrior{newest}, past...) {
		if !p.holds(&l, g) {
			continue
		}
		if g.pop, err = model.PopulationFromState(l.Populations); err != nil {
			break // they are learnt again
		}
		g.marks = l.Marks
		if g.learnt.Equal(newest.Learnt) {
			g.cache, g.id, p.current = p.reader, l.id(), l.id()
		}
		return g, nil
	}
	return g, p.learn(g, newest, past)
}

// kept reads the stored populations.
func (p *storedPriors) kept() (newest cachedPrior, past []cachedPrior, err error) {
	raw, err := p.reader.Cached(priorName)
	if err != nil {
		return newest, nil, err
	}
	if json.Unmarshal(raw, &newest) != nil || newest.Build != p.build {
		newest = cachedPrior{}
	}
	raw, err = p.reader.Cached(pastName)
	if err != nil {
		return newest, nil, err
	}
	if json.Unmarshal(raw, &past) != nil {
		past = nil
	}
	return newest, slices.DeleteFunc(past, func(l cachedPrior) bool { return l.Build != p.build }), nil
}

// holds says whether learning now would give these populations.
func (p *storedPriors) holds(l *cachedPrior, g *generation) bool {
	if l.Build != p.build || !l.Learnt.Equal(g.learnt) || l.Setups != g.setupsDigest {
		return false
	}
	const page = 1000
	for epoch, seq := l.Epoch, l.Seq; ; {
		entries, err := p.reader.Since(epoch, seq, page)
		if err != nil {
			return false
		}
		for i := range entries {
			e := &entries[i]
			// A gap is an arc count that was compacted; it may have been an old one.
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

// learn learns the populations and has them stored: as the newest, or among the past
// ones if newer ones are known.
func (p *storedPriors) learn(g *generation, newest cachedPrior, past []cachedPrior) error {
	var err error
	if g.epoch, g.seq, err = p.reader.Last(); err != nil {
		return err
	}
	if err := g.learn(context.Background(), g.names); err != nil {
		return err
	}
	learnt := g.cachedPrior(p.build)
	if g.learnt.Before(newest.Learnt) {
		return p.change(pastName, foremost(past, learnt))
	}
	g.cache, g.id, p.current = p.reader, learnt.id(), learnt.id()
	if newest.Build != "" && newest.Learnt.Before(g.learnt) {
		err = p.change(pastName, foremost(past, newest))
	}
	return errors.Join(err, p.change(priorName, learnt))
}

// foremost puts the populations of a midnight before the others, in the place of any of
// the same midnight.
func foremost(past []cachedPrior, l cachedPrior) []cachedPrior {
	past = slices.DeleteFunc(past, func(old cachedPrior) bool { return old.Learnt.Equal(l.Learnt) })
	past = append([]cachedPrior{l}, past...)
	return past[:min(len(past), mostPast)]
}

// change sets a value that is to be stored under a name.
func (p *storedPriors) change(name string, value any) error {
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

// keep stores what was learnt.
func (p *storedPriors) keep() error {
	if len(p.changed) == 0 {
		return nil
	}
	err := p.reader.PutCached(p.changed)
	if err == nil {
		p.changed = nil
	}
	return err
}
