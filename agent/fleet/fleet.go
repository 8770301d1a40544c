// Package fleet holds each machine's current model and advice as an immutable
// snapshot, and answers for any moment of the past from the same records: what
// the running agent says now and what [Replay] says of now are the same.
//
// All answers of a day rest on populations that are learnt from what had happened
// by the midnight before. What was learnt and folded may be kept on a [Cache];
// then a start and a new record go on from there, and come to the same.
package fleet

import (
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

// Fleet keeps the snapshot up to date. Make it with [New], hand it every new
// entry with Announce, and let Run do the work.
type Fleet struct {
	book Reader
	now  func() time.Time
	log  *slog.Logger

	wake    chan struct{}
	mu      sync.Mutex
	touched map[string]bool // machines with new entries
	relearn bool            // something older than the populations came, or a setup

	members   map[string]*member // Run's own, as are the rest until learning anew
	rested    time.Time
	again     *time.Timer
	world     atomic.Pointer[world]
	eras      eras
	hindsight hindsight
	notes     notes
	current   atomic.Pointer[Snapshot]
	ready     atomic.Bool
	open      openLookBacks
}

// New makes a fleet over a book. now is the wall clock.
func New(book Reader, now func() time.Time, log *slog.Logger) *Fleet {
	f := &Fleet{book: book, now: now, log: log, wake: make(chan struct{}, 1), touched: map[string]bool{}, members: map[string]*member{}}
	f.notes.fresh = map[string][]byte{}
	f.current.Store(&Snapshot{At: now()})
	f.again = time.AfterFunc(mostRest, f.nudge)
	f.again.Stop()
	return f
}

// UseCache lets the fleet keep on a shelf what it works out; build names the
// program, as another may work it out otherwise. It is called before Run.
func (f *Fleet) UseCache(shelf Cache, build func() (string, error)) {
	f.notes.shelf, f.notes.name = shelf, build
}

// Announce tells of new entries, after they are durable. It does not block.
func (f *Fleet) Announce(entries []drift.Entry) {
	f.mu.Lock()
	learnt := learntAt(f.now())
	for i := range entries {
		e := &entries[i]
		if e.Machine != "" {
			f.touched[e.Machine] = true
		}
		// What happened before the last midnight belongs into the populations.
		if e.Type == drift.TypeSetup || !e.Likely().After(learnt) {
			f.relearn = true
		}
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

// tick is how often answers are looked at again although nothing came: silence
// grows, dates pass.
const tick = time.Minute

// Learning everything anew because old records came takes its time, and a van
// that has come home sends old records for minutes. After it the fleet rests so
// many times as long before it does so again; machines that have new records are
// folded meanwhile.
const (
	restTimes = 4
	mostRest  = 10 * time.Minute
)

// mostPause bounds how long the fleet pauses after following what came, which it
// does for restTimes what that took: in a flood the door needs the processors.
const mostPause = 2 * time.Second

// Run keeps the snapshot up to date until ctx ends. What goes wrong with
// reading is logged and tried again at the next change.
func (f *Fleet) Run(ctx context.Context) error {
	f.told(f.start(ctx))
	f.ready.Store(true)
	defer f.again.Stop()
	timer := time.NewTicker(tick)
	defer timer.Stop()
	for {
		if w := f.world.Load(); w != nil && f.notes.due(w, f.now()) {
			f.keep(w)
		}
		select {
		case <-ctx.Done():
			if w := f.world.Load(); w != nil {
				f.keep(w)
			}
			return nil
		case <-timer.C:
		case <-f.wake:
		}
		began := f.now()
		f.told(f.catchUp(ctx))
		pause(ctx, min(restTimes*f.now().Sub(began), mostPause))
		f.lookBackAgain(ctx)
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

// told logs what went wrong with reading, unless it was only stopped.
func (f *Fleet) told(err error) {
	if err != nil && !errors.Is(err, context.Canceled) {
		f.log.Error("cannot read the records; answers are not up to date", "error", err)
	}
}

// keep puts on the shelf what is not there yet.
func (f *Fleet) keep(w *world) {
	if w.shelf == nil {
		return
	}
	if err := f.notes.keep(w, f.now()); err != nil {
		f.log.Warn("cannot keep what was worked out; the next start takes longer", "error", err)
	}
}

// Ready says whether every machine known at the start has its answer.
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

// processors are how many work on the fleet: all until it is ready, then all but
// one, so that what comes in the door need not wait.
func (f *Fleet) processors() int {
	all := runtime.GOMAXPROCS(0)
	if f.ready.Load() {
		return max(all-1, 1)
	}
	return all
}

// start answers from what was kept, as far as that goes; what it was learnt from
// may be of an earlier day. Else it makes everything.
func (f *Fleet) start(ctx context.Context) error {
	if f.notes.shelf == nil {
		return f.everything(ctx)
	}
	var err error
	if f.notes.build, err = f.notes.name(); err != nil {
		f.log.Warn("nothing is kept over a restart: the program cannot be named", "error", err)
		f.notes.shelf = nil
		return f.everything(ctx)
	}
	now := f.now()
	w, members, sound, err := f.notes.recall(ctx, f.book, now)
	if err != nil {
		return err
	}
	if w == nil {
		return f.everything(ctx)
	}
	f.settle(w, members, now)
	if !sound || !w.learnt.Equal(learntAt(now)) {
		f.learnAnew()
	}
	return nil
}

// learnAnew has everything learnt anew as soon as it may be.
func (f *Fleet) learnAnew() {
	f.mu.Lock()
	f.relearn = true
	f.mu.Unlock()
	f.nudge()
}

// everything reads, learns and folds the whole fleet anew.
func (f *Fleet) everything(ctx context.Context) error {
	now := f.now()
	defer func() {
		ended := f.now()
		f.rested = ended.Add(min(restTimes*ended.Sub(now), mostRest))
	}()
	w, err := survey(f.book, cut{asOf: now})
	if err != nil {
		return err
	}
	w.processors = f.processors()
	if err := w.learn(ctx); err != nil {
		return err
	}
	if w.shelf = f.notes.shelf; w.shelf != nil {
		l := w.lesson(f.notes.build)
		w.id = l.id()
	}
	members, err := f.fold(ctx, w)
	if err != nil {
		f.notes.clear() // of a world that never was
		return err
	}
	f.eras.forget()
	f.settle(w, members, now)
	if total(members) != w.old {
		f.learnAnew() // some came between learning and folding
	}
	return nil
}

// fold folds all machines. Where they are very many, those that are done are
// kept meanwhile.
func (f *Fleet) fold(ctx context.Context, w *world) ([]*member, error) {
	members := make([]*member, 0, len(w.names))
	for names := range slices.Chunk(w.names, mostFresh) {
		if len(members) > 0 {
			f.keep(w)
		}
		some := make([]*member, len(names))
		if err := w.each(ctx, names, func(i int, l *life) { some[i] = f.notes.fold(w, l) }); err != nil {
			return nil, err
		}
		members = append(members, some...)
	}
	return members, nil
}

// total is from how many records that had happened at midnight members come.
func total(members []*member) (old int) {
	for _, m := range members {
		old += m.old
	}
	return old
}

// settle makes a world and its members the current ones.
func (f *Fleet) settle(w *world, members []*member, now time.Time) {
	f.members = make(map[string]*member, len(members))
	for _, m := range members {
		f.members[m.name] = m
	}
	f.world.Store(w)
	f.publish(now)
}

// catchUp does what changes ask for; what could not be read is tried again.
func (f *Fleet) catchUp(ctx context.Context) error {
	f.mu.Lock()
	touched, relearn := f.touched, f.relearn
	f.touched, f.relearn = map[string]bool{}, false
	// A clock that was ahead when it rested has it rest no longer.
	if left := f.rested.Sub(f.now()); relearn && left > 0 && left <= mostRest {
		relearn, f.relearn = false, true
		f.again.Reset(left)
	}
	f.mu.Unlock()
	err := f.follow(ctx, touched, relearn)
	if err != nil {
		f.mu.Lock()
		maps.Copy(f.touched, touched)
		f.relearn = f.relearn || relearn
		f.mu.Unlock()
	}
	return err
}

// follow takes the new entries of the machines that have some; then, if it must
// be, learns everything anew.
func (f *Fleet) follow(ctx context.Context, touched map[string]bool, relearn bool) error {
	now := f.now()
	w := f.world.Load()
	if w == nil || !w.learnt.Equal(learntAt(now)) {
		return f.everything(ctx)
	}
	next := *w
	next.cut.asOf, next.processors = now, f.processors()
	var err error
	if next.refused, err = f.book.Refused(); err != nil {
		return err
	}
	if next.names, err = f.book.Machines(); err != nil {
		return err
	}
	next.call()
	called := map[string]bool{}
	for name := range touched {
		called[next.setups.Named(name)] = true
	}
	touched = called
	for name, m := range f.members {
		if !m.ahead.IsZero() && !m.ahead.After(now) {
			touched[name] = true
		}
	}
	names := slices.Sorted(maps.Keys(touched))
	members := make([]*member, len(names))
	err = each(ctx, next.processors, names, func(i int, name string) (err error) {
		members[i], err = f.notes.current(&next, name)
		return err
	})
	if err != nil {
		return err
	}
	for _, m := range members {
		f.members[m.name] = m
	}
	f.world.Store(&next)
	f.publish(now)
	if relearn || !next.coming.IsZero() && !next.coming.After(now) {
		return f.everything(ctx)
	}
	return nil
}

// publish makes the new snapshot.
func (f *Fleet) publish(now time.Time) {
	w := *f.world.Load()
	w.cut.asOf = now
	s := snapshot(maps.Values(f.members), &w)
	s.Version = f.current.Load().Version + 1
	f.current.Store(s)
}

// at is the fleet as it stood at a moment. The populations of a day are learnt
// once: that is what takes time.
//
// Until today's are, those of the day before answer for today.
func (f *Fleet) at(asOf time.Time) (*world, error) {
	day := learntAt(asOf)
	if w := f.world.Load(); w != nil && (day.Equal(w.learnt) || day.Equal(learntAt(f.now()))) {
		return w.at(asOf)
	}
	return f.eras.at(f.book, asOf)
}

// AssessAt answers at another moment: of one machine, or with "" of all, worst
// first. With neither moment given it is the snapshot.
func (f *Fleet) AssessAt(machine string, asOf, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	if !asOf.Known() && !knownAt.Known() {
		s := f.Snapshot()
		if w := f.world.Load(); w != nil {
			machine = w.setups.Named(machine)
		}
		if machine == "" {
			return slices.Clone(s.all), nil
		}
		if a, ok := s.Assessment(machine); ok {
			return []advise.Assessment{a}, nil
		}
		return nil, nil
	}
	at := asOf.Or(knownAt.Or(f.now()))
	if knownAt.Known() {
		return Replay(f.book, machine, at, knownAt)
	}
	w, err := f.at(at)
	if err != nil {
		return nil, err
	}
	return w.assess(machine)
}

// Move answers a crew that has moved; without a moment it asks about now.
func (f *Fleet) Move(q advise.Move) (advise.MoveAnswer, error) {
	if q.AsOf.IsZero() {
		site, err := f.Site(q.Machine)
		if err != nil {
			return advise.MoveAnswer{}, err
		}
		q.AsOf = f.now()
		return site.Recalibrated(q), nil
	}
	w, err := f.at(q.AsOf)
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	return w.move(q)
}

// Site is what the answer to a move of a machine rests on now.
func (f *Fleet) Site(machine string) (advise.Site, error) {
	w, err := f.at(f.now())
	if err != nil {
		return advise.Site{}, err
	}
	l, _, err := f.notes.later(w, machine)
	if err != nil {
		return advise.Site{}, err
	}
	return l.moveSite(w), nil
}
