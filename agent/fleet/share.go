package fleet

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"hash/fnv"
	"maps"
	"slices"
	"strings"
	"time"

	"arcdrift/drift/advise"
	"arcdrift/drift/lookback"
	"arcdrift/drift/model"
)

// Share is the part of a fleet that this process works on, where several processes have
// one store. Each folds the records of its own machines and publishes their states in the
// cache; the answers of all other machines it reads from the states that their processes
// have published. So every process answers for the whole fleet, and a process that takes
// a machine over continues from its published state.
type Share interface {
	// Cache holds what all processes publish. PutCached leaves out what this process does
	// not work on any more: another has published it, or will.
	Cache
	Many
	// Mine says whether this process works on the machine.
	Mine(machine string) bool
	// Learns says whether this process learns the populations for all.
	Learns() bool
}

// OpenName is the name in the cache of the answer about the latest findings; no machine
// has it.
const OpenName = "@open"

// IsMachine says whether a name in the cache is that of a machine. No machine's name
// begins with the sign of the others.
func IsMachine(name string) bool { return name != priorName && !strings.HasPrefix(name, "@") }

// MachineOf is the machine that a name in the cache belongs to; false for one that belongs
// to the whole fleet.
func MachineOf(name string) (machine string, of bool) {
	machine = strings.TrimPrefix(name, daysPrefix)
	return machine, IsMachine(machine)
}

// mostSampled is from how many machines the populations of a shared fleet are learnt,
// leastOfAKind how many of each kind are among them, if there are as many. Learning takes
// as long as the sample is large, however many machines there are.
const (
	mostSampled  = 4000
	leastOfAKind = 50
)

// shared is what a fleet keeps of the other processes.
type shared struct {
	Share
	zones zones
	news  news // guarded by the fleet's mutex until Run takes it

	// ask has the machines to learn from next, see learnBeside.
	ask chan []string

	// Used by Run only. awaited are machines without an answer since the start; nil until
	// their names are known. unkept are those whose states cannot be published, so that
	// every process works on them. learning says that it was asked for.
	behind   backlog
	awaited  []string
	unkept   map[string]bool
	learning bool
}

// backlog are machines of this process whose state is behind: those with newer records, or
// whose records another process had, and those folded with other populations.
type backlog struct{ moved, stale []string }

// news are what came from other processes.
type news struct {
	published map[string]*member // by their last holder
	unkept    map[string]bool    // published without a state
	links     map[string][]byte  // of the newest entries of machines that are ours now
	learnt    bool               // other populations
	own       *ownPopulations    // that this process has learnt
}

// behindAtOnce is how many machines that are behind are folded between two looks at what
// is new, where new records come first; firstAtOnce before the first answers.
const (
	behindAtOnce = 1000
	firstAtOnce  = 10_000
)

// UseShare makes this the fleet of one of several processes. build names the program's
// build, which must be the same in all of them. Call it before Run, in the place of
// UseCache.
func (f *Fleet) UseShare(share Share, build func() (string, error)) {
	f.UseCache(share, build)
	f.share = &shared{Share: share, ask: make(chan []string, 1), unkept: map[string]bool{}}
	f.checkpoints.atOnce = true
	// Questions about past days come from other goroutines, which do not see the members.
	f.priors.sample = someByHash
}

// someByHash are at most mostSampled of the names, always the same ones.
func someByHash(names []string) []string { return foremostByHash(slices.Clone(names), mostSampled) }

// Touch reports machines with new entries that another process took. It does not block.
func (f *Fleet) Touch(machines []string) {
	f.mu.Lock()
	for _, name := range machines {
		f.touched[name] = true
	}
	f.mu.Unlock()
	f.nudge()
}

// Relearn reports a setup that another process took. It does not block.
func (f *Fleet) Relearn() {
	f.setupNews.Add(1)
	f.learnAnew()
}

// Published reports what other processes have published: by name, the new value in the
// cache.
func (f *Fleet) Published(values map[string][]byte) { f.Taken(values, nil) }

// Taken reports machines that this process works on from now on: what their last holder
// has published since the last report, and the links of their newest entries. Only those
// whose state is behind are read.
func (f *Fleet) Taken(values, links map[string][]byte) {
	came := news{published: map[string]*member{}, unkept: map[string]bool{}, links: links}
	var states []string
	for name, raw := range values {
		switch {
		case name == priorName:
			came.learnt = true
		case name == OpenName:
			var r lookback.Report
			if json.Unmarshal(raw, &r) == nil {
				f.open.put(r, 0)
			}
		case IsMachine(name) && len(raw) == 0:
			came.unkept[name] = true
		case IsMachine(name):
			states = append(states, name)
		}
	}
	members := make([]*member, len(states))
	_ = each(context.Background(), f.processors(), states, func(i int, name string) error {
		members[i], _ = f.share.zones.publishedMember(name, values[name])
		return nil // one that cannot be read counts as none
	})
	for _, m := range members {
		if m != nil {
			came.published[m.name] = m
		}
	}
	f.days.hear(values)
	f.mu.Lock()
	f.share.news.add(came)
	f.mu.Unlock()
	f.nudge()
}

// add adds newer news.
func (n *news) add(newer news) {
	if n.published == nil {
		n.published, n.unkept, n.links = map[string]*member{}, map[string]bool{}, map[string][]byte{}
	}
	maps.Copy(n.published, newer.published)
	maps.Copy(n.unkept, newer.unkept)
	for name := range newer.published {
		delete(n.unkept, name)
	}
	for name := range newer.unkept {
		delete(n.published, name)
	}
	maps.Copy(n.links, newer.links)
	n.learnt = n.learnt || newer.learnt
}

// theirs returns what came from other processes since the last call.
func (f *Fleet) theirs() news {
	if f.share == nil {
		return news{}
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	came := f.share.news
	f.share.news = news{}
	return came
}

// mine says whether this process works on the machine.
func (f *Fleet) mine(machine string) bool { return f.share == nil || f.share.Mine(machine) }

// learns says whether this process learns the populations.
func (f *Fleet) learns() bool { return f.share == nil || f.share.Learns() }

// own are the machines of the names that this process works on. The states of machines
// that were renamed are never published, and some cannot be: every process works on those.
func (f *Fleet) own(g *generation, names []string) []string {
	if f.share == nil {
		return names
	}
	return slices.DeleteFunc(slices.Clone(names), func(name string) bool {
		return !f.share.Mine(name) && len(g.before[name]) == 0 && !f.share.unkept[name]
	})
}

// publishedMember is a machine in the state that a process has published.
func (z *zones) publishedMember(machine string, raw []byte) (*member, bool) {
	n, ok := decodeCheckpoint(raw, machine)
	if !ok {
		return nil, false
	}
	s := &n.State
	rules := advise.RulesOf(s.Checks, &s.Settings)
	return s.member(n.Answer.Pending(rules, z.named(s.Settings.Zone)), z, n.Populations), true
}

// adopt takes over the states that were published, and notes which of the machines that
// are ours now are behind.
func (f *Fleet) adopt(came news) {
	for _, m := range came.published {
		f.members.put(m)
	}
	var moved, stale []string
	for name := range came.published {
		delete(f.share.unkept, name)
	}
	for name := range came.unkept {
		f.share.unkept[name] = true
		if came.links[name] == nil {
			moved = append(moved, name)
		}
	}
	for name, link := range came.links {
		if m := f.members.byName[name]; m == nil || !bytes.Equal(m.link, link) {
			moved = append(moved, name)
		} else {
			stale = append(stale, name)
		}
	}
	if len(moved)+len(stale) == 0 {
		return
	}
	slices.Sort(moved)
	slices.Sort(stale)
	f.share.behind = backlog{slices.Concat(moved, f.share.behind.moved), slices.Concat(f.share.behind.stale, stale)}
}

// late adds to the touched machines some of those that are behind, and returns which are
// left.
func (f *Fleet) late(g *generation, touched map[string]bool) (some map[string]bool, left backlog) {
	if f.share == nil {
		return touched, left
	}
	some = maps.Clone(touched)
	left = f.share.behind
	room := behindAtOnce
	if !f.ready.Load() {
		room = firstAtOnce
	}
	for ; room > 0 && len(left.moved) > 0; left.moved = left.moved[1:] {
		some[left.moved[0]] = true
		room--
	}
	for ; room > 0 && len(left.stale) > 0; left.stale = left.stale[1:] {
		if m := f.members.byName[left.stale[0]]; m == nil || m.populations != g.id {
			some[left.stale[0]] = true
			room--
		}
	}
	return some, left
}

// caughtUp notes which machines are still behind.
func (f *Fleet) caughtUp(left backlog) {
	if f.share == nil {
		return
	}
	f.share.behind = left
	if len(left.moved)+len(left.stale) > 0 {
		f.nudge()
	}
}

// startShared starts from the published populations. The states of the machines come with
// what the share reports.
func (f *Fleet) startShared(ctx context.Context, now time.Time) (started bool, err error) {
	none, news := func([]string) []string { return nil }, f.setupNews.Load()
	g, _, _, err := f.checkpoints.recall(ctx, f.reader, none, now)
	if err != nil || g == nil {
		return false, err
	}
	g.setupNews = news
	f.install(g, nil, now)
	f.share.behind.moved = slices.Sorted(maps.Keys(g.before))
	if !g.learnt.Equal(learntAt(now)) {
		f.learnAnew()
	}
	return true, nil
}

// settled says whether every machine that was known at the start has its answer, which
// may be one that another process has published.
func (f *Fleet) settled() bool {
	if f.share == nil {
		return true
	}
	g := f.generation.Load()
	if g == nil {
		return false
	}
	if f.share.awaited == nil {
		f.share.awaited = slices.Clone(g.names)
	}
	late := map[string]bool{}
	for _, name := range f.share.behind.moved {
		late[g.setups.Named(name)] = true
	}
	f.share.awaited = slices.DeleteFunc(f.share.awaited, func(name string) bool {
		_, there := slices.BinarySearch(g.names, name)
		return !there || f.members.byName[name] != nil && !late[name]
	})
	return len(f.share.awaited) == 0
}

// sampled are the machines from which the populations are learnt: all, or of a shared
// fleet that is large a sample of each kind, in which a machine stays from day to day.
func (f *Fleet) sampled(names []string) []string {
	if len(names) <= mostSampled {
		return names
	}
	kinds := map[model.Key][]string{}
	for _, name := range names {
		var kind model.Key
		if m := f.members.byName[name]; m != nil {
			kind = m.kind
		}
		kinds[kind] = append(kinds[kind], name)
	}
	var out []string
	for _, of := range kinds {
		share := len(of) * mostSampled / len(names)
		out = append(out, foremostByHash(of, max(share, leastOfAKind))...)
	}
	slices.Sort(out)
	return out
}

// foremostByHash are n of the names, those with the smallest hashes.
func foremostByHash(names []string, n int) []string {
	hashes := make(map[string]uint64, len(names))
	for _, name := range names {
		h := fnv.New64a()
		h.Write([]byte(name))
		hashes[name] = h.Sum64()
	}
	slices.SortFunc(names, func(a, b string) int { return cmp.Compare(hashes[a], hashes[b]) })
	return names[:min(n, len(names))]
}

// merged are the members folded anew with those of other processes.
func (f *Fleet) merged(g *generation, members []*member) map[string]*member {
	out := make(map[string]*member, len(g.names))
	if f.share != nil {
		there := make(map[string]bool, len(g.names))
		for _, name := range g.names {
			there[name] = true
		}
		maps.Copy(out, f.members.byName)
		maps.DeleteFunc(out, func(name string, _ *member) bool { return !there[name] })
	}
	for _, m := range members {
		out[m.name] = m
	}
	return out
}

// publishOpen publishes the answer about the latest findings.
func (f *Fleet) publishOpen(r *lookback.Report) error {
	if f.share == nil {
		return nil
	}
	raw, err := json.Marshal(r)
	if err != nil {
		return err
	}
	return f.checkpoints.cache.PutCached(map[string][]byte{OpenName: raw})
}

// waitForPopulations is how long a process waits before it asks again for populations
// that another has to learn.
const waitForPopulations = time.Second
