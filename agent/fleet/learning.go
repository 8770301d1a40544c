package fleet

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"arcdrift/drift/model"
)

// learnAnew asks for learning again as soon as the rest is over.
func (f *Fleet) learnAnew() {
	f.mu.Lock()
	f.relearn = true
	f.mu.Unlock()
	f.nudge()
}

// everything reads, learns and folds the whole fleet again. A fleet that several processes
// share only gets its first populations: its machines are folded beside new records.
func (f *Fleet) everything(ctx context.Context) error {
	if f.share != nil {
		return f.firstPopulations(ctx)
	}
	now := f.now()
	defer func() { f.rest(now) }()
	g, err := f.learnt(ctx, func(names []string) []string { return names })
	if err != nil {
		return err
	}
	members, err := f.fold(ctx, g)
	if err != nil {
		f.checkpoints.clear() // they belong to a generation that is not used
		return err
	}
	f.priors.forget()
	f.install(g, members, now)
	if total(members) != g.old {
		f.learnAnew() // some records came between learning and folding
	}
	return nil
}

// learnt surveys the fleet and learns its populations from the machines that sample picks.
func (f *Fleet) learnt(ctx context.Context, sample func(names []string) []string) (*generation, error) {
	g, err := f.survey(f.now())
	if err != nil {
		return nil, err
	}
	if err := g.learn(ctx, sample(g.names)); err != nil {
		return nil, err
	}
	if g.cache = f.checkpoints.cache; g.cache != nil {
		l := g.cachedPrior(f.checkpoints.build)
		g.id = l.id()
	}
	return g, nil
}

// survey reads what concerns the whole fleet.
func (f *Fleet) survey(asOf time.Time) (*generation, error) {
	news := f.setupNews.Load()
	g, err := survey(f.reader, cut{asOf: asOf})
	if err != nil {
		return nil, err
	}
	g.setupNews, g.processors = news, f.processors()
	return g, nil
}

// rest puts the next learning off, after one that began at a moment.
func (f *Fleet) rest(began time.Time) {
	ended := f.now()
	f.rested = ended.Add(min(restTimes*ended.Sub(began), mostRest))
}

// fold folds all machines. If there are very many, it writes the cache now and then.
func (f *Fleet) fold(ctx context.Context, g *generation) ([]*member, error) {
	members := make([]*member, 0, len(g.names))
	for names := range slices.Chunk(g.names, mostFresh) {
		if len(members) > 0 {
			f.keep(g)
		}
		some := make([]*member, len(names))
		if err := g.each(ctx, names, func(i int, l *life) { some[i] = f.checkpoints.fold(g, l) }); err != nil {
			return nil, err
		}
		members = append(members, some...)
	}
	return members, nil
}

// total is from how many records that had happened by midnight the members come.
func total(members []*member) (old int) {
	for _, m := range members {
		old += m.old
	}
	return old
}

// ownPopulations are those that this process has learnt for all; without a generation it
// could not.
type ownPopulations struct {
	*generation
	began time.Time
}

// firstPopulations waits for the populations that another process learns, or learns them.
func (f *Fleet) firstPopulations(ctx context.Context) error {
	if !f.learns() {
		return f.anew()
	}
	now := f.now()
	defer f.rest(now)
	g, err := f.learnt(ctx, f.sampled)
	if err == nil {
		f.turnTo(g, now)
	}
	return err
}

// learnSoon has the populations learnt beside the work on new records. If that goes on
// already, a change that it may not have seen is a reason to do it again.
func (f *Fleet) learnSoon(names []string, changed bool) {
	if !f.share.learning {
		f.share.learning = true
		f.share.ask <- f.sampled(names)
		return
	}
	f.mu.Lock()
	f.relearn = f.relearn || changed
	f.mu.Unlock()
}

// learnBeside learns when it is asked to until ctx ends.
func (f *Fleet) learnBeside(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case sample := <-f.share.ask:
			began := f.now()
			g, err := f.learnt(ctx, func([]string) []string { return sample })
			f.logError(err)
			f.mu.Lock()
			f.share.news.own = &ownPopulations{g, began}
			f.mu.Unlock()
			f.nudge()
		}
	}
}

// turnToOwn turns to populations that this process has learnt, if it still does for all.
// After a failure it learns again when the rest is over.
func (f *Fleet) turnToOwn(own *ownPopulations) error {
	f.share.learning = false
	f.rest(own.began)
	if own.generation == nil {
		f.mu.Lock()
		f.relearn = true
		f.mu.Unlock()
		f.again.Reset(f.rested.Sub(f.now()))
		return nil
	}
	if !f.learns() {
		return nil
	}
	var err error
	if own.names, err = f.reader.Machines(); err != nil { // some came meanwhile
		return err
	}
	own.call()
	f.turnTo(own.generation, f.now())
	return nil
}

// turnTo makes other populations the current ones. The machines of this process are folded
// with them by and by, after those with new records; until then they keep their answers.
func (f *Fleet) turnTo(g *generation, now time.Time) {
	f.priors.forget()
	f.install(g, nil, now)
	f.share.behind.stale = f.own(g, g.names)
	f.nudge()
}

// anew turns to the populations that another process has published. Until there are any,
// the fleet is not ready.
func (f *Fleet) anew() error {
	now := f.now()
	raw, err := f.checkpoints.cache.Cached(priorName)
	if err != nil {
		return err
	}
	var was cachedPrior
	if json.Unmarshal(raw, &was) != nil || was.Build != f.checkpoints.build {
		if f.learns() {
			return nil // ours take their place
		}
		return errNotReady
	}
	g := f.generation.Load()
	if g != nil && g.id == was.id() {
		return nil
	}
	if g, err = f.survey(now); err != nil {
		return err
	}
	if err := g.recallFrom(&was); err != nil {
		return err
	}
	g.cache = f.checkpoints.cache
	f.checkpoints.id, f.checkpoints.learnt, f.checkpoints.at = g.id, g.learnt, now
	f.turnTo(g, now)
	return nil
}

// recallFrom takes populations that were kept.
func (g *generation) recallFrom(was *cachedPrior) (err error) {
	g.learnt, g.old, g.setupsDigest, g.marks = was.Learnt, was.Old, was.Setups, was.Marks
	g.epoch, g.seq, g.swaps = was.Epoch, was.Seq, &swaps{}
	g.pop, err = model.PopulationFromState(was.Populations)
	g.id = was.id()
	return err
}
