package fleet

import (
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
	// History returns all entries of one machine in order of taking, corrections too.
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

// learntAt is the moment up to which the populations are learnt: the midnight (UTC)
// before, so that all answers of a day use the same ones.
func learntAt(asOf time.Time) time.Time { return asOf.UTC().Truncate(24 * time.Hour) }

// generation is the fleet as it stood at a cut, before any folding, and the populations
// that it is folded with.
type generation struct {
	reader       Reader
	cut          cut
	setups       drift.Setups
	setupsDigest digest // of the setups that count
	// said is when the latest of these was, coming when the next one begins to count, zeros
	// for none. setupNews is how many the fleet had heard of before they were read.
	said, coming time.Time
	setupNews    uint64
	refused      map[string]int
	names        []string
	zones        *zones
	// before are the earlier names of machines that were renamed, alike the names
	// that look like one.
	before, alike map[string][]string
	// part of the machines is looked at, nil for all; customers says to whom each belongs.
	part      drift.Part
	customers drift.Customers
	// marks are the marks of the machines' pairs at midnight, swaps what follows from them.
	marks map[string][]drift.Mark
	swaps *swaps
	// processors is how many processors read and fold the machines.
	processors int
	// giveWay, if set, waits before each machine for work that is more urgent.
	giveWay func()

	// pop are the populations learnt at the midnight learnt, from as many records
	// as old says.
	pop    *model.Population
	learnt time.Time
	old    int
	// epoch and seq are the numbers of the newest entry when they were learnt, zeros
	// if nothing is stored.
	epoch, seq uint64

	cache Cache  // nil for a generation that is not cached
	id    digest // of the populations in it
}

// look reads the fleet at a cut and learns its populations.
func look(reader Reader, c cut) (*generation, error) { return (&priorCache{}).look(reader, c) }

// survey reads what concerns the whole fleet: names, setups and refusals.
func survey(reader Reader, c cut) (*generation, error) {
	g := &generation{reader: reader, cut: c, zones: &zones{}, learnt: learntAt(c.asOf), processors: runtime.GOMAXPROCS(0)}
	var err error
	if g.names, err = reader.Machines(); err != nil {
		return nil, err
	}
	if g.refused, err = reader.Refused(); err != nil {
		return nil, err
	}
	if err := g.setUp(); err != nil {
		return nil, err
	}
	g.call()
	return g, nil
}

// call applies renaming: a machine that was renamed has its history under the new name.
func (g *generation) call() {
	g.before, g.alike = map[string][]string{}, map[string][]string{}
	there := map[string]bool{}
	for _, name := range g.names {
		there[name] = true
	}
	for _, old := range g.setups.Renamed() {
		if now := g.setups.Named(old); now != old && there[old] {
			g.before[now] = append(g.before[now], old)
			delete(there, old)
			there[now] = true
		}
	}
	g.names = slices.Sorted(maps.Keys(there))
	for _, name := range g.names {
		key := g.nameKey(name)
		g.alike[key] = append(g.alike[key], name)
	}
}

// knowsAll says whether the names, and those before renaming, hold all that were touched,
// so that they need not be read again.
func (g *generation) knowsAll(touched map[string]bool) bool {
	for name := range touched {
		known := slices.Contains(g.before[g.setups.Named(name)], name)
		if !known {
			_, known = slices.BinarySearch(g.names, name)
		}
		if !known {
			return false
		}
	}
	return true
}

// assessed is a machine's answer at the generation's moment, with the questions that
// concern several machines.
func (g *generation) assessed(m *member) advise.Assessment {
	a := m.weighed.At(g.cut.asOf)
	a.Data.Refused = g.refused[m.name]
	for _, old := range g.before[m.name] {
		a.Data.Refused += g.refused[old]
	}
	if q, ask := drift.AskNames(m.name, g.alike[g.nameKey(m.name)], &g.setups); ask {
		q.At = g.cut.asOf
		a.Ask(q)
	}
	if n := len(m.marks); n > 0 && g.cut.asOf.Sub(m.marks[n-1].At) <= drift.AskedFor { // the last is the latest
		if q, ask := g.swapped(m); ask && g.cut.asOf.Sub(q.At) <= drift.AskedFor {
			a.Ask(q)
		}
	}
	return a
}

// nameKey is the same for names that look like one machine of one customer: a question
// never names a machine of another customer.
func (g *generation) nameKey(machine string) string {
	return g.customers.Of(machine).Customer + "\x00" + drift.NameKey(machine)
}

// learn learns the populations from what the named machines had done by midnight: records
// of the day itself do not change them. Setups count as they are now.
func (g *generation) learn(ctx context.Context, names []string) error {
	then := *g
	then.cut.asOf = g.learnt
	g.marks, g.swaps = map[string][]drift.Mark{}, &swaps{}
	sample := model.Sample{Mixed: g.customers.Any()}
	var mu sync.Mutex // the order of enrolling does not matter
	err := then.each(ctx, names, func(_ int, l *life) {
		mu.Lock()
		defer mu.Unlock()
		g.old += l.Old
		if len(l.Slips.Marks) > 0 {
			g.marks[l.name] = l.Slips.Marks
		}
		if len(l.events) > 0 {
			sample.Enrol(l.history())
		}
	})
	if err != nil {
		return err
	}
	// Learning takes half a minute on a small computer. If ctx ends meanwhile, it runs
	// to its end alone: it has all it needs and changes nothing.
	learnt := make(chan *model.Population, 1)
	go func() { learnt <- forecast.Learn(&sample) }()
	select {
	case g.pop = <-learnt:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// each reads the lives of the named machines on several processors. A life is not held
// after use has returned, which bounds the memory.
func (g *generation) each(ctx context.Context, names []string, use func(i int, l *life)) error {
	return each(ctx, g.processors, names, func(i int, name string) error {
		if g.giveWay != nil {
			g.giveWay()
		}
		l, err := g.life(name)
		if err == nil {
			use(i, l)
		}
		return err
	})
}

func each[T any](ctx context.Context, processors int, all []T, do func(i int, one T) error) error {
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(processors)
	for i, one := range all {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			return do(i, one)
		})
	}
	return group.Wait()
}

// setUp reads the setups that count.
func (g *generation) setUp() error {
	entries, err := g.reader.Setups()
	if err != nil {
		return err
	}
	entries, g.coming, _, _ = g.counted(entries)
	entries = slices.DeleteFunc(entries, func(e drift.Entry) bool { return e.Setup.Scope == drift.ScopeTable })
	drift.Order(entries)
	g.setups, g.setupsDigest, g.customers, g.said = drift.Setups{}, digestOf(entries), drift.Customers{}, time.Time{}
	g.swaps = &swaps{}
	for i := range entries {
		if at := entries[i].When(); at.After(g.said) {
			g.said = at
		}
		g.setups.Take(&entries[i].Record)
		g.customers.Take(&entries[i])
	}
	return nil
}

// counted removes the entries that do not count, in place. It also returns the time of
// the first one that is still ahead, how many had happened when the populations were
// learnt, and the questions about entries whose time is after their arrival.
func (g *generation) counted(entries []drift.Entry) (out []drift.Entry, ahead time.Time, old int, asked []drift.Question) {
	if known, limited := g.cut.knownAt.Get(); limited {
		entries = slices.DeleteFunc(entries, func(e drift.Entry) bool { return e.Received.After(known) })
	}
	drift.Clocks(entries)
	asked = drift.AskAhead(entries, g.cut.asOf)
	out = slices.DeleteFunc(entries, func(e drift.Entry) bool {
		if at := e.When(); at.After(g.cut.asOf) && (ahead.IsZero() || at.Before(ahead)) {
			ahead = at
		}
		return e.When().After(g.cut.asOf)
	})
	for i := range out {
		if !out[i].When().After(g.learnt) {
			old++
		}
	}
	return out, ahead, old, asked
}

// life reads one machine as it stood.
func (g *generation) life(name string) (*life, error) {
	entries, link, err := g.taken(name)
	if err != nil {
		return nil, err
	}
	return g.lived(name, entries, link), nil
}

// taken reads all entries of a machine, those under its earlier names too, and the link
// of the last if there is a checkpoint to continue from.
func (g *generation) taken(name string) (entries []drift.Entry, link []byte, err error) {
	if g.cache != nil {
		entries, link, err = g.cache.After(name, nil)
	} else {
		entries, err = g.reader.History(name)
	}
	if err != nil {
		return nil, nil, err
	}
	for _, old := range g.before[name] {
		earlier, err := g.reader.History(old)
		if err != nil {
			return nil, nil, err
		}
		entries, link = append(entries, earlier...), nil // there is no checkpoint of two chains
	}
	return entries, link, nil
}

// lived is the life that the entries of a machine tell.
func (g *generation) lived(name string, entries []drift.Entry, link []byte) *life {
	entries, ahead, old, asked := g.counted(entries)
	l := understand(name, entries, &g.setups)
	l.Link, l.Ahead, l.Old = link, ahead, old
	for _, q := range asked {
		l.Odd = true // later records may show that their clock was wrong
		l.Asked.Ask(q)
	}
	return l
}

// members folds the named machines.
func (g *generation) members(names []string) ([]*member, error) {
	out := make([]*member, len(names))
	err := g.each(context.Background(), names, func(i int, l *life) { out[i] = l.answer(g) })
	return out, err
}

// at is the generation at another moment that its populations are for.
func (g *generation) at(asOf time.Time) (*generation, error) {
	then := *g
	then.cut.asOf = asOf
	var err error
	if then.names, err = g.reader.Machines(); err != nil {
		return nil, err
	}
	if err := then.setUp(); err != nil {
		return nil, err
	}
	then.call()
	return &then, nil
}

// Replay answers from the records as they were at a moment: for one machine or, with "",
// for all, worst first. A machine without records is not in the answer.
func Replay(reader Reader, machine string, asOf time.Time, knownAt drift.Opt[time.Time]) ([]advise.Assessment, error) {
	g, err := look(reader, cut{asOf, knownAt})
	if err != nil {
		return nil, err
	}
	return g.assess(machine)
}

// assess answers for one machine, or with "" for all, worst first.
func (g *generation) assess(machine string) ([]advise.Assessment, error) {
	members, err := g.members(g.named(machine))
	if err != nil {
		return nil, err
	}
	return g.answers(members, machine), nil
}

// answers are those of the members, without retired machines, unless one was asked
// about.
func (g *generation) answers(members []*member, machine string) []advise.Assessment {
	var out []advise.Assessment
	for _, m := range members {
		if !m.about.Settings.Retired || machine != "" {
			out = append(out, g.assessed(m))
		}
	}
	worstFirst(out)
	return out
}

// named is the one machine, if it is there, or all.
func (g *generation) named(machine string) []string {
	machine = g.setups.Named(machine)
	switch {
	case machine == "":
		return g.names
	}
	if _, there := slices.BinarySearch(g.names, machine); there {
		return []string{machine}
	}
	return nil
}

// move answers a question about this generation's moment.
func (g *generation) move(q advise.Move) (advise.MoveAnswer, error) {
	l, err := g.life(g.setups.Named(q.Machine))
	if err != nil {
		return advise.MoveAnswer{}, err
	}
	return l.moved(g, q), nil
}

// priorCache keeps the generations of the days asked about last: the populations change
// at midnight only.
type priorCache struct {
	mu    sync.Mutex
	byDay map[time.Time]*generation
	days  []time.Time // oldest use first
	// stored is asked before anything is learnt; nil if nothing is stored.
	stored *storedPriors
	// published returns the populations of a generation's midnight if other processes have
	// published them, or nil; nil where there are no others.
	published func(g *generation) (*model.Population, map[string][]drift.Mark)
	// sample picks the machines that are learnt from; nil for all.
	sample func(names []string) []string
}

func (e *priorCache) look(reader Reader, c cut) (*generation, error) {
	if e.stored != nil {
		return e.stored.look(c)
	}
	sample := e.sample
	if sample == nil {
		sample = func(names []string) []string { return names }
	}
	g, err := survey(reader, c)
	if err != nil {
		return nil, err
	}
	if e.published != nil {
		if g.pop, g.marks = e.published(g); g.pop != nil {
			return g, nil
		}
	}
	return g, g.learn(context.Background(), sample(g.names))
}

// mostCached is how many days it keeps.
const mostCached = 8

// at returns the generation at a moment.
func (e *priorCache) at(reader Reader, asOf time.Time) (*generation, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	day := learntAt(asOf)
	g := e.byDay[day]
	if g == nil {
		var err error
		if g, err = e.look(reader, cut{asOf: asOf}); err != nil {
			return nil, err
		}
		if e.byDay == nil {
			e.byDay = map[time.Time]*generation{}
		}
		e.byDay[day] = g
	}
	e.days = append(slices.DeleteFunc(e.days, day.Equal), day)
	if len(e.days) > mostCached {
		delete(e.byDay, e.days[0])
		e.days = e.days[1:]
	}
	// Setups and names are those of the question's own moment.
	return g.at(asOf)
}

// forget drops all generations, when a record has come that is older than they are.
func (e *priorCache) forget() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.byDay, e.days = nil, nil
}

// moved answers a question from the machine's life up to it.
func (l *life) moved(g *generation, q advise.Move) advise.MoveAnswer {
	site := l.moveSite(g)
	return site.Recalibrated(q)
}

// moveSite is what an answer about a move is based on.
func (l *life) moveSite(g *generation) advise.Site {
	return advise.Site{
		Known: l.know(g.pop), Settings: l.Settings, LastTemperature: l.Temperature, LastHumidity: l.Humidity, LastAltitude: l.Altitude, LastPressure: l.Pressure,
		Rules: advise.RulesOf(l.Checks, &l.Settings), Zone: g.zones.named(l.Settings.Zone),
	}
}
