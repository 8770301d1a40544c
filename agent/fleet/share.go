package fleet

import (
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
	// Guarded by the fleet's mutex until Run takes them.
	published map[string][]byte // states that other processes published
	learnt    bool              // other populations were published
}

// UseShare makes this the fleet of one of several processes. build names the program's
// build, which must be the same in all of them. Call it before Run, in the place of
// UseCache.
func (f *Fleet) UseShare(share Share, build func() (string, error)) {
	f.UseCache(share, build)
	f.share = &shared{Share: share, published: map[string][]byte{}}
	f.checkpoints.atOnce = true
	// Questions about past days come from other goroutines, which do not see the members.
	f.priors.sample = func(names []string) []string { return foremostByHash(slices.Clone(names), mostSampled) }
}

// Touch reports machines with new entries that another process took, and machines that
// this process works on from now on. It does not block.
func (f *Fleet) Touch(machines []string) {
	f.mu.Lock()
	for _, name := range machines {
		f.touched[name] = true
	}
	f.mu.Unlock()
	f.nudge()
}

// Relearn reports a setup that another process took. It does not block.
func (f *Fleet) Relearn() { f.learnAnew() }

// Published reports what other processes have published: by name, the new value in the
// cache. It does not block.
func (f *Fleet) Published(values map[string][]byte) {
	f.mu.Lock()
	for name, raw := range values {
		switch {
		case name == priorName:
			f.share.learnt = true
		case name == OpenName:
			var r lookback.Report
			if json.Unmarshal(raw, &r) == nil {
				f.open.put(r, 0)
			}
		case IsMachine(name):
			f.share.published[name] = raw
		}
	}
	f.mu.Unlock()
	f.nudge()
}

// theirs returns what other processes have published since the last call.
func (f *Fleet) theirs() (published map[string][]byte, learnt bool) {
	if f.share == nil {
		return nil, false
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	published, learnt = f.share.published, f.share.learnt
	f.share.published, f.share.learnt = map[string][]byte{}, false
	return published, learnt
}

// mine says whether this process works on the machine.
func (f *Fleet) mine(machine string) bool { return f.share == nil || f.share.Mine(machine) }

// learns says whether this process learns the populations.
func (f *Fleet) learns() bool { return f.share == nil || f.share.Learns() }

// own are the machines of the names that this process works on.
func (f *Fleet) own(names []string) []string {
	if f.share == nil {
		return names
	}
	return slices.DeleteFunc(slices.Clone(names), func(name string) bool { return !f.share.Mine(name) })
}

// publishedMember is a machine in the state that another process has published.
func (g *generation) publishedMember(machine string, raw []byte) (*member, bool) {
	n, ok := decodeCheckpoint(raw, machine)
	if !ok {
		return nil, false
	}
	s := &n.State
	rules := advise.RulesOf(s.Checks, &s.Settings)
	return s.member(n.Answer.Pending(rules, g.zones.named(s.Settings.Zone)), g.zones), true
}

// adopt puts the members that other processes have published into the place of those that
// are known.
func (f *Fleet) adopt(g *generation, published map[string][]byte) {
	for name, raw := range published {
		if f.share.Mine(name) {
			continue
		}
		if m, ok := g.publishedMember(name, raw); ok {
			f.members[name] = m
		}
	}
}

// anew reads the populations that another process has published, and folds this
// process's machines with them. Until there are any, the fleet is not ready.
func (f *Fleet) anew(ctx context.Context) error {
	now := f.now()
	raw, err := f.checkpoints.cache.Cached(priorName)
	if err != nil {
		return err
	}
	var was cachedPrior
	if json.Unmarshal(raw, &was) != nil || was.Build != f.checkpoints.build {
		return errNotReady
	}
	g := f.generation.Load()
	if g != nil && g.id == was.id() {
		return nil
	}
	if g, err = survey(f.reader, cut{asOf: now}); err != nil {
		return err
	}
	g.processors = f.processors()
	if err := g.recallFrom(&was); err != nil {
		return err
	}
	g.cache = f.checkpoints.cache
	f.checkpoints.id, f.checkpoints.learnt, f.checkpoints.at = g.id, g.learnt, now
	members, err := f.fold(ctx, g)
	if err != nil {
		return err
	}
	f.install(g, members, now)
	return nil
}

// recallFrom takes populations that were kept.
func (g *generation) recallFrom(was *cachedPrior) (err error) {
	g.learnt, g.old, g.setupsDigest, g.marks = was.Learnt, was.Old, was.Setups, was.Marks
	g.epoch, g.seq = was.Epoch, was.Seq
	g.pop, err = model.PopulationFromState(was.Populations)
	g.id = was.id()
	return err
}

// sampled are the machines from which the populations are learnt: all, or of a shared
// fleet that is large a sample of each kind, in which a machine stays from day to day.
func (f *Fleet) sampled(names []string) []string {
	if f.share == nil || len(names) <= mostSampled {
		return names
	}
	kinds := map[model.Key][]string{}
	for _, name := range names {
		var kind model.Key
		if m := f.members[name]; m != nil {
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
		maps.Copy(out, f.members)
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
