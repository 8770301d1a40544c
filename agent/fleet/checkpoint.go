package fleet

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// Cache is where a fleet keeps what it has computed: after a restart it answers at
// once, and a new record costs no more on a long history than on a short one. All of
// it follows from the records and may be lost.
type Cache interface {
	// After returns a machine's entries after a link of its chain, or with a nil link
	// all of them, and the link of the last. For a link that the machine does not have,
	// it returns nil for both.
	After(machine string, link []byte) ([]drift.Entry, []byte, error)
	// Cached returns the value of a name, nil if there is none.
	Cached(name string) ([]byte, error)
	// PutCached stores values under their names.
	PutCached(values map[string][]byte) error
}

// digest is a SHA-256 in hexadecimal.
type digest string

func digestOf(entries []drift.Entry) digest {
	h := sha256.New()
	var b []byte
	for i := range entries {
		e := &entries[i]
		b = binary.BigEndian.AppendUint64(e.AppendCanonical(b[:0]), uint64(e.Received.UnixNano()))
		h.Write(b)
	}
	return digest(hex.EncodeToString(h.Sum(nil)))
}

// cachedPrior is the stored form of the populations, with what they were learnt from:
// by which build of the program, at which midnight, from how many records, under which
// setups, and the newest entry there was. The links in the machines' checkpoints prove
// that the records are still the same.
type cachedPrior struct {
	Build       string
	Learnt      time.Time
	Old         int
	Setups      digest `json:"Told"`
	Epoch, Seq  uint64
	Populations []byte
	Marks       map[string][]drift.Mark
}

// priorName is the name in the cache that no machine has.
const priorName = ""

// cachedPrior is the stored form of what the generation has learnt.
func (g *generation) cachedPrior(build string) cachedPrior {
	return cachedPrior{Build: build, Learnt: g.learnt, Old: g.old, Setups: g.setupsDigest, Epoch: g.epoch, Seq: g.seq, Populations: g.pop.AppendState(nil), Marks: g.marks}
}

// id identifies the populations.
func (l *cachedPrior) id() digest {
	h := sha256.New()
	fmt.Fprintln(h, l.Build, l.Learnt.UnixNano(), l.Setups)
	h.Write(l.Populations)
	return digest(hex.EncodeToString(h.Sum(nil)))
}

// checkpoint is the stored state of a machine, folded with the populations that it
// names. It is stored as the length of its JSON, the JSON, and the memory of the
// reader and the model.
type checkpoint struct {
	Populations digest
	State       foldState `json:"Standing"`
	Answer      advise.Kept

	memory []byte
}

func (l *life) checkpoint(id digest, weighed *advise.PendingAssessment) ([]byte, error) {
	text, err := json.Marshal(checkpoint{Populations: id, State: l.foldState, Answer: weighed.Kept()})
	b := append(binary.AppendUvarint(nil, uint64(len(text))), text...)
	return l.known.AppendState(l.reader.AppendState(b)), err
}

// readCheckpoint reads the checkpoint of a machine. It is not known if there is none
// that was made with these populations.
func readCheckpoint(raw []byte, machine string, id digest) (n checkpoint, known bool) {
	n, known = decodeCheckpoint(raw, machine)
	if !known || n.Populations != id {
		return checkpoint{}, false
	}
	return n, true
}

// decodeCheckpoint reads the checkpoint of a machine, whatever its populations.
func decodeCheckpoint(raw []byte, machine string) (n checkpoint, known bool) {
	size, start := binary.Uvarint(raw)
	if start <= 0 || size > uint64(len(raw)-start) {
		return checkpoint{}, false
	}
	end := start + int(size)
	if json.Unmarshal(raw[start:end], &n) != nil {
		return checkpoint{}, false
	}
	n.State.name, n.memory = machine, raw[end:]
	return n, true
}

// resume gives the fold state its memory back.
func (n *checkpoint) resume(pop *model.Population) (foldState, error) {
	s := n.State
	var rest []byte
	var err error
	if s.reader, rest, err = model.ReaderFromState(n.memory, s.Settings); err == nil {
		s.known, _, err = model.MachineFromState(rest, s.name, pop.For(s.Key))
	}
	return s, err
}

// checkpoints are those of the machines: in the cache, and the latest in memory.
type checkpoints struct {
	cache Cache
	name  func() (string, error) // of the program
	build string                 // what name has returned

	log *slog.Logger

	mu     sync.Mutex
	fresh  map[string][]byte // not in the cache yet
	unkept map[string]bool   // machines whose states cannot be stored

	id digest // of the populations in the cache
	// at is when the cache was last written, or could not be, and learnt the midnight
	// of the populations then.
	at, learnt time.Time
	// atOnce: other processes wait for what is kept.
	atOnce bool
}

// The cache is often a memory card. It is written once an hour, after learning at
// midnight, and when the agent stops; sooner only if so much waits that it would fill
// the memory.
const (
	keepEvery  = time.Hour
	mostFresh  = 10_000
	keptAtOnce = 1000 // so that records do not wait long for it
	// sharedAtOnce is so many where processes share a fleet: each part writes to every slot,
	// a transaction each, so that small parts take many times as long.
	sharedAtOnce = 8000
)

// of returns the checkpoint of a machine that was made with the populations of this
// generation. One that cannot be read counts as none.
func (n *checkpoints) of(g *generation, machine string) (checkpoint, bool) {
	if g.cache == nil {
		return checkpoint{}, false
	}
	n.mu.Lock()
	raw, ok := n.fresh[machine]
	n.mu.Unlock()
	if !ok {
		raw, _ = g.cache.Cached(machine)
	}
	return readCheckpoint(raw, machine, g.id)
}

// waits says whether the checkpoint of a machine is not in the cache yet.
func (n *checkpoints) waits(machine string) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	_, fresh := n.fresh[machine]
	return fresh
}

// put replaces the checkpoint of a machine.
func (n *checkpoints) put(machine string, raw []byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.fresh[machine] = raw
}

// due says whether it is time to write the cache.
func (n *checkpoints) due(g *generation, now time.Time) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	since := now.Sub(n.at)
	wait := keepEvery
	if len(n.fresh) >= mostFresh {
		wait = tick
	}
	if n.atOnce && n.id != g.id {
		return true // others wait for the populations
	}
	return len(n.fresh) > 0 && (n.atOnce || !n.learnt.Equal(g.learnt) || since >= wait || since < 0)
}

// keep writes the cache, the populations first.
func (n *checkpoints) keep(g *generation, now time.Time) error {
	n.mu.Lock()
	fresh := maps.Clone(n.fresh)
	n.mu.Unlock()
	n.at, n.learnt = now, g.learnt // even if it fails: a full disk is not tried all the time
	values := map[string][]byte{}
	if n.id != g.id {
		raw, err := json.Marshal(g.cachedPrior(n.build))
		if err != nil {
			return err
		}
		values[priorName] = raw
	}
	names := slices.Sorted(maps.Keys(fresh))
	if len(names) == 0 && len(values) > 0 {
		if err := n.cache.PutCached(values); err != nil {
			return err
		}
		n.id = g.id
	}
	atOnce := keptAtOnce
	if n.atOnce {
		atOnce = sharedAtOnce
	}
	for chunk := range slices.Chunk(names, atOnce) {
		for _, name := range chunk {
			values[name] = fresh[name]
		}
		if err := n.cache.PutCached(values); err != nil {
			return err
		}
		n.id = g.id
		n.drop(values)
		clear(values)
	}
	return nil
}

// clear forgets what is not in the cache yet.
func (n *checkpoints) clear() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.fresh = map[string][]byte{}
}

func (n *checkpoints) drop(kept map[string][]byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for name := range kept {
		delete(n.fresh, name)
	}
}

// recall makes the generation that is in the cache, and its members with the newer
// records, of the machines that own picks. It returns nil if there is none, or one of
// another build. sound says that
// learning again would give the same populations.
func (n *checkpoints) recall(ctx context.Context, reader Reader, own func(names []string) []string, now time.Time) (g *generation, members []*member, sound bool, err error) {
	raw, err := n.cache.Cached(priorName)
	if err != nil {
		return nil, nil, false, err
	}
	var was cachedPrior
	if json.Unmarshal(raw, &was) != nil || was.Build != n.build {
		return nil, nil, false, nil
	}
	if g, err = survey(reader, cut{asOf: now}); err != nil {
		return nil, nil, false, err
	}
	sound = was.Learnt.Equal(g.learnt) && was.Setups == g.setupsDigest
	if g.recallFrom(&was) != nil {
		return nil, nil, false, nil
	}
	g.cache = n.cache
	n.id, n.learnt, n.at = g.id, g.learnt, now
	names := own(g.names)
	members = make([]*member, len(names))
	err = each(ctx, g.processors, names, func(i int, name string) (err error) {
		members[i], err = n.current(g, name)
		return err
	})
	if err != nil {
		return nil, nil, false, err
	}
	return g, members, sound && total(members) == g.old, nil
}

// current is a member as of now: from its checkpoint and the records since, or from
// all records if it has none.
func (n *checkpoints) current(g *generation, machine string) (*member, error) {
	l, kept, err := n.since(g, machine)
	if err != nil {
		return nil, err
	}
	if kept != nil && len(l.entries) == 0 && l.Ahead.Equal(kept.State.Ahead) {
		return l.member(kept.Answer.Pending(advise.RulesOf(l.Checks, &l.Settings), g.zones.named(l.Settings.Zone)), g.zones, g.id), nil
	}
	return n.fold(g, l), nil
}

// fold answers for a life and makes a checkpoint of it.
func (n *checkpoints) fold(g *generation, l *life) *member {
	m := l.answer(g)
	if g.cache == nil || l.Link == nil {
		return m
	}
	raw, err := l.checkpoint(g.id, &m.weighed)
	if err != nil { // it has a value that JSON cannot hold
		n.report(l.name, err)
		raw = nil // whoever reads this folds the machine
	}
	n.put(l.name, raw)
	return m
}

// report logs once for each machine that its state cannot be stored.
func (n *checkpoints) report(machine string, err error) {
	n.mu.Lock()
	before := n.unkept[machine]
	n.unkept[machine] = true
	n.mu.Unlock()
	if !before {
		n.log.Warn("the state of a machine cannot be stored; it is computed from all its records each time", "machine", machine, "error", err)
	}
}

// since is a machine's life since its checkpoint, and the checkpoint; or the whole life
// and nil.
func (n *checkpoints) since(g *generation, machine string) (*life, *checkpoint, error) {
	machine = g.setups.Named(machine)
	kept, known := n.of(g, machine)
	if known && len(g.before[machine]) == 0 && kept.State.at(g.cut.asOf) {
		entries, link, err := g.cache.After(machine, kept.State.Link)
		if err != nil {
			return nil, nil, err
		}
		if l := g.goOn(&kept, entries, link); l != nil {
			return l, &kept, nil
		}
	}
	l, err := g.life(machine)
	return l, nil, err
}

// at says whether the state holds at this moment. A record that was ahead and now
// counts may belong before later ones, and with a clock that was set back, records that
// counted may be ahead.
func (s *foldState) at(asOf time.Time) bool {
	return (s.Ahead.IsZero() || s.Ahead.After(asOf)) && !s.Last.After(asOf)
}

// goOn continues from a checkpoint with later entries; nil if the whole life has to be
// folded again.
func (g *generation) goOn(kept *checkpoint, entries []drift.Entry, link []byte) *life {
	if link == nil {
		return nil
	}
	s, err := kept.resume(g.pop)
	if err != nil {
		return nil
	}
	entries, ahead, old, _ := g.counted(entries)
	l := s.goOn(entries, &g.setups)
	if l == nil {
		return nil
	}
	l.Link = link
	l.Old += old
	if l.Ahead.IsZero() || !ahead.IsZero() && ahead.Before(l.Ahead) {
		l.Ahead = ahead
	}
	return l
}
