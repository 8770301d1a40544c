// Package fleet holds the current model and advice of each machine as an immutable
// snapshot, and answers for any moment of the past from the same records. What the
// running agent says now is what [Replay] says of now.
//
// All answers of a day use the populations that were learnt from what had happened by
// the midnight before. The populations and the state of each machine may be kept in a
// [Cache]. A restart and a new record then continue from there, with the same result.
package fleet

import (
	"cmp"
	"context"
	"errors"
	"log/slog"
	"maps"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Fleet keeps the snapshot up to date. Make it with [New], give it every new entry with
// Announce, and let Run do the work.
type Fleet struct {
	reader Reader
	now    func() time.Time
	log    *slog.Logger

	wake    chan struct{}
	mu      sync.Mutex
	touched map[string]bool // machines with new entries
	relearn bool            // a setup came, or a record older than the populations

	members   roll // used by Run only, like the next three
	rested    time.Time
	again     *time.Timer
	wholly    bool     // all answers have to be made again
	published struct { // the latest snapshot
		ended time.Time
		took  time.Duration
	}
	generation  atomic.Pointer[generation]
	setupNews   atomic.Uint64 // how many setups it has heard of
	priors      priorCache
	hindsight   hindsight
	checkpoints checkpoints
	current     atomic.Pointer[Snapshot]
	ready       atomic.Bool
	moved       atomic.Pointer[time.Time]
	open        openLookBacks
	share       *shared // nil where this process has the store to itself
	days        dayCounts
}

// New returns a fleet that reads its records from reader. now is the wall clock.
func New(reader Reader, now func() time.Time, log *slog.Logger) *Fleet {
	f := &Fleet{reader: reader, now: now, log: log, wake: make(chan struct{}, 1), touched: map[string]bool{}, members: rollOf(map[string]*member{})}
	f.checkpoints.fresh, f.checkpoints.unkept, f.checkpoints.log = map[string][]byte{}, map[string]bool{}, log
	f.days.turn = make(chan struct{}, 1)
	f.current.Store(newSnapshot(now()))
	f.again = time.AfterFunc(mostRest, f.nudge)
	f.again.Stop()
	return f
}

// UseCache lets the fleet keep in a cache what it computes. build names the program's
// build: another may compute something else. Call it before Run.
func (f *Fleet) UseCache(cache Cache, build func() (string, error)) {
	f.checkpoints.cache, f.checkpoints.name = cache, build
}

// Announce reports new entries, after they are durable. It does not block.
func (f *Fleet) Announce(entries []drift.Entry) {
	f.mu.Lock()
	learnt := learntAt(f.now())
	for i := range entries {
		e := &entries[i]
		if e.Machine != "" {
			f.touched[e.Machine] = true
		}
		f.days.changed(e)
		// The populations are learnt from what happened before the last midnight.
		setup := e.Type == drift.TypeSetup && e.Setup.Scope != drift.ScopeTable
		if setup {
			f.setupNews.Add(1)
		}
		f.relearn = f.relearn || setup || !e.Likely().After(learnt)
	}
	f.mu.Unlock()
	f.nudge()
}

func (f *Fleet) nudge() {
	select {
	case f.wake <- struct{}{}:
	default:
	}
}

// tick is how often answers are made again without new records: silence grows and dates
// pass.
const tick = time.Minute

// Learning again because of old records takes time, and a van that has come home sends
// old records for minutes. Before it learns again, the fleet rests restTimes as long as
// learning took; machines with new records are folded meanwhile.
const (
	restTimes = 4
	mostRest  = 10 * time.Minute
)

// mostPause bounds the pause after folding new records, which is restTimes as long as
// the folding took: in a flood of records the intake needs the processors.
const mostPause = 2 * time.Second

// Run keeps the snapshot up to date until ctx ends. It logs errors of reading and tries
// again at the next change.
func (f *Fleet) Run(ctx context.Context) error {
	err := f.start(ctx)
	for errors.Is(err, errNotReady) && ctx.Err() == nil { // another process learns
		pause(ctx, waitForPopulations)
		err = f.start(ctx)
	}
	f.logError(err)
	f.ready.Store(f.settled())
	defer f.again.Stop()
	var beside sync.WaitGroup
	beside.Go(func() { f.countDays(ctx) })
	if f.share != nil {
		beside.Go(func() { f.lookBackBeside(ctx) })
		beside.Go(func() { f.learnBeside(ctx) })
	}
	timer := time.NewTicker(tick)
	defer timer.Stop()
	for {
		if g := f.generation.Load(); g != nil && f.checkpoints.due(g, f.now()) {
			f.keep(g)
		}
		select {
		case <-ctx.Done():
			beside.Wait()
			if g := f.generation.Load(); g != nil {
				f.keep(g)
			}
			return nil
		case <-timer.C:
			f.wholly = true
		case <-f.wake:
		}
		began := f.now()
		f.moves()
		f.days.turn <- struct{}{}
		f.logError(f.catchUp(ctx))
		<-f.days.turn
		if !f.ready.Load() {
			f.ready.Store(f.settled())
		}
		if f.ready.Load() {
			pause(ctx, min(restTimes*f.now().Sub(began), mostPause))
		}
		if f.share == nil {
			f.days.turn <- struct{}{}
			f.lookBackAgain(ctx)
			<-f.days.turn
		}
	}
}

func pause(ctx context.Context, rest time.Duration) {
	timer := time.NewTimer(rest)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// logError logs an error of reading, unless the fleet was only stopped.
func (f *Fleet) logError(err error) {
	if err != nil && !errors.Is(err, context.Canceled) {
		f.log.Error("cannot read the records; answers are not up to date", "error", err)
	}
}

// keep writes to the cache what is not there yet.
func (f *Fleet) keep(g *generation) {
	if g.cache == nil {
		return
	}
	if err := f.checkpoints.keep(g, f.now()); err != nil {
		f.log.Warn("cannot write the cache; the next start takes longer", "error", err)
	}
}

// Ready returns nil once every machine known at the start has its answer.
func (f *Fleet) Ready() error {
	if !f.ready.Load() {
		return errNotReady
	}
	return nil
}

type notReady struct{}

func (notReady) Error() string { return "the machines' models are still being read" }

var errNotReady error = notReady{}

// String names the runner.
func (f *Fleet) String() string { return "fleet" }

// Snapshot returns the latest one.
func (f *Fleet) Snapshot() *Snapshot { return f.current.Load() }

// processors is how many processors work on the fleet: all until it is ready, then all
// but one, so that new records do not wait, and less that one that learns for past days.
func (f *Fleet) processors() int {
	all := runtime.GOMAXPROCS(0)
	if !f.ready.Load() {
		return all
	}
	if f.days.learning.Load() {
		all--
	}
	return max(all-1, 1)
}

// start answers from the cache, whose populations may be of an earlier day. Without a
// cache it computes everything.
func (f *Fleet) start(ctx context.Context) error {
	if f.checkpoints.cache == nil {
		return f.everything(ctx)
	}
	var err error
	if f.checkpoints.build, err = f.checkpoints.name(); err != nil {
		f.log.Warn("the cache is not used: the program's build is not known", "error", err)
		f.checkpoints.cache = nil
		return f.everything(ctx)
	}
	now := f.now()
	if f.share != nil {
		if started, err := f.startShared(ctx, now); err != nil || started {
			return err
		}
		return f.everything(ctx)
	}
	all, news := func(names []string) []string { return names }, f.setupNews.Load()
	g, members, sound, err := f.checkpoints.recall(ctx, f.reader, all, now)
	if err != nil {
		return err
	}
	if g == nil {
		return f.everything(ctx)
	}
	g.setupNews = news
	f.install(g, members, now)
	if !sound || !g.learnt.Equal(learntAt(now)) {
		f.learnAnew()
	}
	return nil
}

// install makes a generation and its members the current ones.
func (f *Fleet) install(g *generation, members []*member, now time.Time) {
	f.members = rollOf(f.merged(g, members))
	f.wholly = true
	f.generation.Store(g)
	f.publish(now)
}

// catchUp does what the new entries ask for. After an error it asks for the same again.
func (f *Fleet) catchUp(ctx context.Context) error {
	f.mu.Lock()
	touched, relearn := f.touched, f.relearn
	f.touched, f.relearn = map[string]bool{}, false
	// A clock that was set back does not make the rest longer.
	if left := f.rested.Sub(f.now()); relearn && left > 0 && left <= mostRest {
		relearn, f.relearn = false, true
		f.again.Reset(left)
	}
	f.mu.Unlock()
	came := f.theirs()
	f.adopt(came)
	var err error
	if came.learnt {
		err = f.anew()
	}
	if err == nil && came.own != nil {
		err = f.turnToOwn(came.own)
	}
	if err == nil {
		came.own = nil
		err = f.follow(ctx, touched, relearn)
	}
	if err != nil {
		f.mu.Lock()
		maps.Copy(f.touched, touched)
		f.relearn = f.relearn || relearn
		if f.share != nil {
			f.share.news.learnt = f.share.news.learnt || came.learnt
			f.share.news.own = cmp.Or(f.share.news.own, came.own)
		}
		f.mu.Unlock()
	}
	return err
}

// follow folds the new entries of the touched machines. Then, if relearn is set, it
// learns again.
func (f *Fleet) follow(ctx context.Context, touched map[string]bool, relearn bool) error {
	now := f.now()
	g := f.generation.Load()
	due := g != nil && f.learns() && !g.learnt.Equal(learntAt(now))
	if g == nil || due && f.share == nil {
		return f.everything(ctx)
	}
	next := *g
	next.cut.asOf, next.processors = now, f.processors()
	var err error
	if next.refused, err = f.reader.Refused(); err != nil {
		return err
	}
	if !next.knowsAll(touched) {
		if next.names, err = f.reader.Machines(); err != nil {
			return err
		}
		next.call()
		f.alikeNew(&next, g)
	}
	f.refusedAnew(&next, g)
	touched, left := f.late(&next, touched)
	called := map[string]bool{}
	for name := range touched {
		called[next.setups.Named(name)] = true
	}
	for name := range f.members.ahead {
		if !f.members.byName[name].ahead.After(now) {
			called[name] = true
		}
	}
	names := f.own(&next, slices.Sorted(maps.Keys(called)))
	members, err := f.currents(ctx, &next, names)
	if err != nil {
		return err
	}
	for _, m := range members {
		f.members.put(m)
	}
	f.caughtUp(left)
	f.generation.Store(&next)
	if f.restedFromPublishing() {
		f.publish(now)
	}
	due = due || !next.coming.IsZero() && !next.coming.After(now)
	switch {
	case !f.learns() || !relearn && !due:
		return nil
	case f.share != nil:
		f.learnSoon(next.names, relearn)
		return nil
	}
	return f.everything(ctx)
}

// restedFromPublishing says whether it is time for a new snapshot: at once, but while the
// machines of others are still being read, whose parts come one after the other, restTimes
// as long after the last as that took, and when all are there.
func (f *Fleet) restedFromPublishing() bool {
	rest := f.now().Sub(f.published.ended)
	return f.share == nil || f.ready.Load() || rest < 0 || rest >= restTimes*f.published.took || f.settled()
}

// publish makes the new snapshot, if there is anything new: with the answers of changed
// members made anew, and at a tick with all.
func (f *Fleet) publish(now time.Time) {
	began := f.now()
	defer func() {
		f.published.ended = f.now()
		f.published.took = f.published.ended.Sub(began)
	}()
	g := *f.generation.Load()
	g.cut.asOf = now
	was, news := f.current.Load(), f.members.news
	if age := now.Sub(was.Whole); f.wholly || age >= tick || age < 0 {
		was, news = was.none(now), maps.Values(f.members.byName)
	} else if len(f.members.changed) == 0 {
		return
	}
	f.current.Store(was.next(&g, news))
	clear(f.members.changed)
	f.wholly = false
}

// alikeNew marks the machines that new names look like.
func (f *Fleet) alikeNew(next, was *generation) {
	for _, name := range next.names {
		if _, there := slices.BinarySearch(was.names, name); there {
			continue
		}
		for _, like := range next.alike[next.nameKey(name)] {
			f.members.changed[like] = true
		}
	}
}

// refusedAnew marks the machines of which records were refused.
func (f *Fleet) refusedAnew(next, was *generation) {
	for _, counts := range []map[string]int{next.refused, was.refused} {
		for name := range counts {
			if next.refused[name] != was.refused[name] {
				f.members.changed[next.setups.Named(name)] = true
			}
		}
	}
}

// at is the fleet as it stood at a moment. Learning takes the time, so the populations
// of a day are learnt once. Until those of today are learnt, those of the day before
// answer for today.
func (f *Fleet) at(asOf time.Time) (*generation, error) {
	day := learntAt(asOf)
	if g := f.generation.Load(); g != nil && (day.Equal(g.learnt) || day.Equal(learntAt(f.now()))) {
		return f.near(g, asOf)
	}
	return f.priors.at(f.reader, asOf)
}

// near is the fleet's generation at another moment of its day. Setups and names are read
// only if others may count then: a question about one machine looks at no other.
func (f *Fleet) near(g *generation, asOf time.Time) (*generation, error) {
	if g.setupNews != f.setupNews.Load() || asOf.Before(g.said) || !g.coming.IsZero() && !g.coming.After(asOf) {
		return g.at(asOf)
	}
	then := *g
	then.cut.asOf = asOf
	return &then, nil
}

// AssessAt answers for another moment: for one machine or, with "", for all, worst
// first. If neither moment is given, it is the snapshot.
func (f *Fleet) AssessAt(machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	if !asOf.Known() && !knownAt.Known() {
		s := f.Snapshot()
		if g := f.generation.Load(); g != nil {
			machine = g.setups.Named(machine)
		}
		if machine == "" {
			return s.Assessments(), nil
		}
		if a, ok := s.Assessment(machine); ok {
			return []advise.Assessment{a}, nil
		}
		return nil, nil
	}
	at := asOf.Or(knownAt.Or(f.now()))
	if knownAt.Known() {
		return Replay(f.reader, machine, at, knownAt)
	}
	g, err := f.at(at)
	if err != nil {
		return nil, err
	}
	return g.assess(machine)
}

// Move answers a crew that has moved. A question without a moment is about now.
func (f *Fleet) Move(q advise.Move) (advise.MoveAnswer, error) {
	if q.AsOf.IsZero() {
		site, err := f.Site(q.Machine)
		if err != nil {
			return advise.MoveAnswer{}, err
		}
		q.AsOf = f.now()
		return site.Recalibrated(q), nil
	}
	g, err := f.at(q.AsOf)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	return g.move(q)
}

// Site is what an answer about a move of the machine is based on now.
func (f *Fleet) Site(machine string) (advise.Site, error) {
	g, err := f.at(f.now())
	if err != nil {
		return advise.Site{}, err
	}
	l, _, err := f.checkpoints.since(g, machine)
	if err != nil {
		return advise.Site{}, err
	}
	return l.moveSite(g), nil
}
