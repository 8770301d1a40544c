package fleet

import (
	"cmp"
	"context"
	"maps"
	"runtime"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/forecast"
	"arcdrift/drift/model"
)

// Reader is the store as the fleet reads it.
type Reader interface {
	// Machines returns the names of all machines that have entries, in order.
	Machines() ([]string, error)
	// History returns everything of one machine, corrections too.
	History(machine string) ([]drift.Entry, error)
	// Setups returns the setups of all scopes.
	Setups() ([]drift.Entry, error)
	// Refused counts the refused records of each machine.
	Refused() (map[string]int, error)
}

// cut says which records count: those that had happened by AsOf and, if KnownAt
// is known, had arrived by then.
type cut struct {
	asOf    time.Time
	knownAt drift.Opt[time.Time]
}

// learntAt is the moment up to which the populations are learnt: the midnight
// (UTC) before, so that all answers of a day rest on the same ones.
func learntAt(asOf time.Time) time.Time { return asOf.UTC().Truncate(24 * time.Hour) }

// world is the fleet as it stood at a cut, before any folding.
type world struct {
	book    Reader
	cut     cut
	setups  drift.Setups
	told    digest // of the setups that count
	coming  time.Time
	refused map[string]int
	names   []string
	zones   *zones
	// before are the earlier names of machines that were renamed, alike the names
	// that look like one.
	before, alike map[string][]string
	// marks are what the machines' pairs had come to by midnight.
	marks map[string][]drift.Mark
	// processors are how many read and fold its machines.
	processors int

	// pop are the populations learnt at the midnight learnt, from as many records
	// as old says.
	pop    *model.Population
	learnt time.Time
	old    int
	// epoch and seq number the newest entry when they were learnt, zeros where
	// nobody asks.
	epoch, seq uint64

	shelf Cache  // nil for a world that is not kept
	id    digest // of the populations on it
}

// look reads the fleet at a cut and learns its populations.
func look(book Reader, c cut) (*world, error) {
	w, err := survey(book, c)
	if err != nil {
		return nil, err
	}
	return w, w.learn(context.Background())
}

// survey reads what concerns the whole fleet.
func survey(book Reader, c cut) (*world, error) {
	w := &world{book: book, cut: c, zones: &zones{}, learnt: learntAt(c.asOf), processors: runtime.GOMAXPROCS(0)}
	var err error
	if w.names, err = book.Machines(); err != nil {
		return nil, err
	}
	if w.refused, err = book.Refused(); err != nil {
		return nil, err
	}
	if err := w.setUp(); err != nil {
		return nil, err
	}
	w.call()
	return w, nil
}

// call takes names for what they are now: a machine that was renamed has its
// history under the new one.
func (w *world) call() {
	w.before, w.alike = map[string][]string{}, map[string][]string{}
	there := map[string]bool{}
	for _, name := range w.names {
		there[name] = true
	}
	for _, old := range w.setups.Renamed() {
		if now := w.setups.Named(old); now != old && there[old] {
			w.before[now] = append(w.before[now], old)
			delete(there, old)
			there[now] = true
		}
	}
	w.names = slices.Sorted(maps.Keys(there))
	for _, name := range w.names {
		key := drift.NameKey(name)
		w.alike[key] = append(w.alike[key], name)
	}
}

// assessed is a machine's answer at the world's moment, with what the fleet as a
// whole leaves open.
func (w *world) assessed(m *member) advise.Assessment {
	a := m.weighed.At(w.cut.asOf)
	a.Data.Refused = w.refused[m.name]
	for _, old := range w.before[m.name] {
		a.Data.Refused += w.refused[old]
	}
	if q, ask := drift.AskNames(m.name, w.alike[drift.NameKey(m.name)], &w.setups); ask {
		q.At = w.cut.asOf
		a.Ask(q)
	}
	if q, ask := drift.AskSwapped(m.name, m.marks, w.marks); ask && w.cut.asOf.Sub(q.At) <= drift.AskedFor {
		a.Ask(q)
	}
	return a
}

// learn learns the populations from what had happened by midnight: what comes
// on the day itself does not change them. Setups count as they now are.
func (w *world) learn(ctx context.Context) error {
	then := *w
	then.cut.asOf = w.learnt
	w.marks = map[string][]drift.Mark{}
	var sample model.Sample
	var mu sync.Mutex // the order of enrolling does not matter
	err := then.each(ctx, w.names, func(_ int, l *life) {
		mu.Lock()
		defer mu.Unlock()
		w.old += l.Old
		if len(l.Slips.Marks) > 0 {
			w.marks[l.name] = l.Slips.Marks
		}
		if len(l.events) > 0 {
			sample.Enrol(l.history())
		}
	})
	if err != nil {
		return err
	}
	// Learning takes a small computer half a minute. Who stops meanwhile leaves it
	// to end alone: it has all it needs and changes nothing.
	learnt := make(chan *model.Population, 1)
	go func() { learnt <- forecast.Learn(&sample) }()
	select {
	case w.pop = <-learnt:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// each reads the lives of the named machines, on as many processors as it may. A
// life is gone after use is done with it: no more are held than that.
func (w *world) each(ctx context.Context, names []string, use func(i int, l *life)) error {
	return each(ctx, w.processors, names, func(i int, name string) error {
		l, err := w.life(name)
		if err == nil {
			use(i, l)
		}
		return err
	})
}

func each(ctx context.Context, processors int, names []string, do func(i int, name string) error) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(processors)
	for i, name := range names {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			return do(i, name)
		})
	}
	return group.Wait()
}

// setUp reads the setups that count.
func (w *world) setUp() error {
	entries, err := w.book.Setups()
	if err != nil {
		return err
	}
	entries, w.coming, _, _ = w.counted(entries)
	drift.Order(entries)
	w.setups, w.told = drift.Setups{}, digestOf(entries)
	for i := range entries {
		w.setups.Take(&entries[i].Record)
	}
	return nil
}

// counted leaves out the entries that do not count, in place, and returns the
// time of the first that is still to come, how many had happened when the
// populations were learnt, and what is asked of those whose time lies ahead of
// their arrival.
func (w *world) counted(entries []drift.Entry) (out []drift.Entry, ahead time.Time, old int, asked []drift.Question) {
	if known, limited := w.cut.knownAt.Get(); limited {
		entries = slices.DeleteFunc(entries, func(e drift.Entry) bool { return e.Received.After(known) })
	}
	drift.Clocks(entries)
	asked = drift.AskAhead(entries, w.cut.asOf)
	out = slices.DeleteFunc(entries, func(e drift.Entry) bool {
		if at := e.When(); at.After(w.cut.asOf) && (ahead.IsZero() || at.Before(ahead)) {
			ahead = at
		}
		return e.When().After(w.cut.asOf)
	})
	for i := range out {
		if !out[i].When().After(w.learnt) {
			old++
		}
	}
	return out, ahead, old, asked
}

// life reads one machine as it stood.
func (w *world) life(name string) (*life, error) {
	var entries []drift.Entry
	var link []byte
	var err error
	if w.shelf != nil {
		entries, link, err = w.shelf.After(name, nil)
	} else {
		entries, err = w.book.History(name)
	}
	if err != nil {
		return nil, err
	}
	for _, old := range w.before[name] {
		earlier, err := w.book.History(old)
		if err != nil {
			return nil, err
		}
		entries, link = append(entries, earlier...), nil // no note is taken of two chains
	}
	entries, ahead, old, asked := w.counted(entries)
	l := understand(name, entries, &w.setups)
	l.Link, l.Ahead, l.Old = link, ahead, old
	for _, q := range asked {
		l.Odd = true // what comes may speak against their clock
		l.Asked.Ask(q)
	}
	return l, nil
}

// members folds the named machines.
func (w *world) members(names []string) ([]*member, error) {
	out := make([]*member, len(names))
	err := w.each(context.Background(), names, func(i int, l *life) { out[i] = l.answer(w) })
	return out, err
}

// at is the world at another moment of the days that its populations are for.
func (w *world) at(asOf time.Time) (*world, error) {
	then := *w
	then.cut.asOf = asOf
	var err error
	if then.names, err = w.book.Machines(); err != nil {
		return nil, err
	}
	if err := then.setUp(); err != nil {
		return nil, err
	}
	then.call()
	return &then, nil
}

// Replay answers from a book as it stood: for one machine, or with "" for all,
// worst first. A machine that is not in the book is not in the answer.
func Replay(book Reader, machine string, asOf time.Time, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	w, err := look(book, cut{asOf, knownAt})
	if err != nil {
		return nil, err
	}
	return w.assess(machine)
}

// assess answers for one machine, or with "" for all, worst first.
func (w *world) assess(machine string) ([]advise.Assessment, error) {
	members, err := w.members(w.named(machine))
	if err != nil {
		return nil, err
	}
	return w.answers(members, machine), nil
}

// answers are those of members: of all, or of the one that was asked about.
func (w *world) answers(members []*member, machine string) []advise.Assessment {
	var out []advise.Assessment
	for _, m := range members {
		if !m.about.Settings.Retired || machine != "" {
			out = append(out, w.assessed(m))
		}
	}
	worstFirst(out)
	return out
}

// named is the one machine, if it is there, or all.
func (w *world) named(machine string) []string {
	machine = w.setups.Named(machine)
	switch {
	case machine == "":
		return w.names
	case slices.Contains(w.names, machine):
		return []string{machine}
	}
	return nil
}

// worstFirst sorts by state, then by how soon the pair is likely to fail, then
// by name.
func worstFirst(all []advise.Assessment) {
	rank := map[advise.State]int{}
	for i, s := range advise.States() {
		rank[s] = i
	}
	// Answers are large: their places are sorted, and each is moved once.
	type place struct {
		rank, at int
		left     float64
	}
	places := make([]place, len(all))
	for i := range all {
		e := &all[i].Electrode
		places[i] = place{rank[all[i].State], i, 2 * float64(e.HorizonArcs)}
		if e.ToFailure != nil {
			places[i].left = e.ToFailure.P10
		}
	}
	slices.SortFunc(places, func(a, b place) int {
		return cmp.Or(cmp.Compare(a.rank, b.rank), cmp.Compare(a.left, b.left), cmp.Compare(all[a.at].Machine, all[b.at].Machine))
	})
	was := slices.Clone(all)
	for i, p := range places {
		all[i] = was[p.at]
	}
}

// move answers a question about this world's moment.
func (w *world) move(q advise.Move) (advise.MoveAnswer, error) {
	l, err := w.life(w.setups.Named(q.Machine))
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	return l.moved(w, q), nil
}

// eras keeps the worlds of the days asked about last: the populations change at
// midnight only.
type eras struct {
	mu    sync.Mutex
	byDay map[time.Time]*world
	days  []time.Time // oldest use first
	// priors are asked before anything is learnt, nil where nothing is kept.
	priors *priors
}

func (e *eras) look(book Reader, c cut) (*world, error) {
	if e.priors != nil {
		return e.priors.look(c)
	}
	return look(book, c)
}

// mostEras is how many days are kept.
const mostEras = 8

// at returns the world at a moment.
func (e *eras) at(book Reader, asOf time.Time) (*world, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	day := learntAt(asOf)
	w := e.byDay[day]
	if w == nil {
		var err error
		if w, err = e.look(book, cut{asOf: asOf}); err != nil {
			return nil, err
		}
		if e.byDay == nil {
			e.byDay = map[time.Time]*world{}
		}
		e.byDay[day] = w
	}
	e.days = append(slices.DeleteFunc(e.days, day.Equal), day)
	if len(e.days) > mostEras {
		delete(e.byDay, e.days[0])
		e.days = e.days[1:]
	}
	// Setups and names are those of the question's own moment.
	return w.at(asOf)
}

// forget drops all: something older than they are has come.
func (e *eras) forget() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.byDay, e.days = nil, nil
}

// moved answers for a machine by its life up to the question.
func (l *life) moved(w *world, q advise.Move) advise.MoveAnswer {
	site := l.moveSite(w)
	return site.Recalibrated(q)
}

// moveSite is what an answer about a move rests on.
func (l *life) moveSite(w *world) advise.Site {
	return advise.Site{
		Known: l.know(w.pop), Settings: l.Settings, LastTemperature: l.Temperature, LastHumidity: l.Humidity, LastAltitude: l.Altitude, LastPressure: l.Pressure,
		Rules: advise.RulesOf(l.Checks, &l.Settings), Zone: w.zones.named(l.Settings.Zone),
	}
}
