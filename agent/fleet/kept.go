package fleet

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
)

// Cache is where a fleet keeps what it has worked out, so that after a restart
// it answers at once, and a new record costs no more on a long history than on a
// short one. All that is on it follows from the records and may be lost.
type Cache interface {
	// After returns a machine's history from after a link of its chain, or with
	// nil all of it, and the link at its end: nil if there is none, or none such.
	After(machine string, link []byte) ([]drift.Entry, []byte, error)
	// Cached returns what is kept under a name, nil if that is nothing.
	Cached(name string) ([]byte, error)
	// Keep keeps values under their names.
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

// lesson is the populations as they are kept, with what they were learnt from:
// by which program, at which midnight, from how many records, under which setups,
// and the newest entry there was. That the records are the same the links of the
// machines' notes prove.
type lesson struct {
	Build       string
	Learnt      time.Time
	Old         int
	Told        digest
	Epoch, Seq  uint64
	Populations []byte
	Marks       map[string][]drift.Mark
}

// lessonName is the name on the shelf that is no machine's.
const lessonName = ""

// lesson writes down what the world has learnt.
func (w *world) lesson(build string) lesson {
	return lesson{Build: build, Learnt: w.learnt, Old: w.old, Told: w.told, Epoch: w.epoch, Seq: w.seq, Populations: w.pop.AppendState(nil), Marks: w.marks}
}

// id names the populations.
func (l *lesson) id() digest {
	h := sha256.New()
	fmt.Fprintln(h, l.Build, l.Learnt.UnixNano(), l.Told)
	h.Write(l.Populations)
	return digest(hex.EncodeToString(h.Sum(nil)))
}

// note is a machine as it is kept, folded with the populations that it names.
// Behind its JSON, whose length stands before, are the reader's and the model's
// memory.
type note struct {
	Populations digest
	Standing    standing
	Answer      advise.Kept

	memory []byte
}

func (l *life) note(id digest, weighed *advise.PendingAssessment) ([]byte, error) {
	text, err := json.Marshal(note{Populations: id, Standing: l.standing, Answer: weighed.Kept()})
	b := append(binary.AppendUvarint(nil, uint64(len(text))), text...)
	return l.known.AppendState(l.reader.AppendState(b)), err
}

// readNote reads the note of a machine; it is not known when there is none that
// was made with these populations.
func readNote(raw []byte, machine string, id digest) (n note, known bool) {
	size, start := binary.Uvarint(raw)
	if start <= 0 || size > uint64(len(raw)-start) {
		return note{}, false
	}
	end := start + int(size)
	if json.Unmarshal(raw[start:end], &n) != nil || n.Populations != id {
		return note{}, false
	}
	n.Standing.name, n.memory = machine, raw[end:]
	return n, true
}

// resume gives the standing its memory back.
func (n *note) resume(pop *model.Population) (standing, error) {
	s := n.Standing
	var rest []byte
	var err error
	if s.reader, rest, err = model.ReaderFromState(n.memory, s.Settings); err == nil {
		s.known, _, err = model.MachineFromState(rest, s.name, pop.For(s.Key))
	}
	return s, err
}

// notes are what is kept, on the shelf and, of late, in memory.
type notes struct {
	shelf Cache
	name  func() (string, error) // of the program
	build string                 // what it said

	mu    sync.Mutex
	fresh map[string][]byte // not on the shelf yet

	id digest // of the populations on the shelf
	// at is when something was put there last, or could not be, and learnt the
	// midnight of the populations then.
	at, learnt time.Time
}

// The shelf is a memory card as often as not: what is fresh is kept once an
// hour, after learning at midnight and when the agent stops; sooner only where so
// much of it is held that it would fill the memory.
const (
	keepEvery  = time.Hour
	mostFresh  = 10_000
	keptAtOnce = 1000 // so that records never wait long for it
)

// of returns the note of a machine made with this world's populations. One that
// cannot be read is as good as none.
func (n *notes) of(w *world, machine string) (note, bool) {
	if w.shelf == nil {
		return note{}, false
	}
	n.mu.Lock()
	raw, ok := n.fresh[machine]
	n.mu.Unlock()
	if !ok {
		raw, _ = w.shelf.Cached(machine)
	}
	return readNote(raw, machine, w.id)
}

// put replaces the note of a machine.
func (n *notes) put(machine string, raw []byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.fresh[machine] = raw
}

// due says whether it is time to put what is fresh on the shelf.
func (n *notes) due(w *world, now time.Time) bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	since := now.Sub(n.at)
	wait := keepEvery
	if len(n.fresh) >= mostFresh {
		wait = tick
	}
	return len(n.fresh) > 0 && (!n.learnt.Equal(w.learnt) || since >= wait || since < 0)
}

// keep puts what is fresh on the shelf, the populations first.
func (n *notes) keep(w *world, now time.Time) error {
	n.mu.Lock()
	fresh := maps.Clone(n.fresh)
	n.mu.Unlock()
	n.at, n.learnt = now, w.learnt // whatever comes of it: a full disk is not asked all the time
	values := map[string][]byte{}
	if n.id != w.id {
		raw, err := json.Marshal(w.lesson(n.build))
		if err != nil {
			return err
		}
		values[lessonName] = raw
	}
	names := slices.Sorted(maps.Keys(fresh))
	for chunk := range slices.Chunk(names, keptAtOnce) {
		for _, name := range chunk {
			values[name] = fresh[name]
		}
		if err := n.shelf.PutCached(values); err != nil {
			return err
		}
		n.id = w.id
		n.drop(values)
		clear(values)
	}
	return nil
}

// clear forgets what is fresh.
func (n *notes) clear() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.fresh = map[string][]byte{}
}

func (n *notes) drop(kept map[string][]byte) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for name := range kept {
		delete(n.fresh, name)
	}
}

// recall makes the world that was kept, and its members, those that newer records
// have come to as they now are. Without one, or of another build, there is none.
// It is sound if learning anew would give the same populations.
func (n *notes) recall(ctx context.Context, book Reader, now time.Time) (w *world, members []*member, sound bool, err error) {
	raw, err := n.shelf.Cached(lessonName)
	if err != nil {
		return nil, nil, false, err
	}
	var was lesson
	if json.Unmarshal(raw, &was) != nil || was.Build != n.build {
		return nil, nil, false, nil
	}
	if w, err = survey(book, cut{asOf: now}); err != nil {
		return nil, nil, false, err
	}
	sound = was.Learnt.Equal(w.learnt) && was.Told == w.told
	w.shelf, w.learnt, w.old, w.told, w.marks = n.shelf, was.Learnt, was.Old, was.Told, was.Marks
	w.epoch, w.seq = was.Epoch, was.Seq
	if w.pop, err = model.PopulationFromState(was.Populations); err != nil {
		return nil, nil, false, nil
	}
	w.id = was.id()
	n.id, n.learnt, n.at = w.id, w.learnt, now
	members = make([]*member, len(w.names))
	err = each(ctx, w.processors, w.names, func(i int, name string) (err error) {
		members[i], err = n.current(w, name)
		return err
	})
	if err != nil {
		return nil, nil, false, err
	}
	return w, members, sound && total(members) == w.old, nil
}

// current is a member as of now: from its note, if there is one, and the records
// since; else from all of them.
func (n *notes) current(w *world, machine string) (*member, error) {
	l, kept, err := n.later(w, machine)
	if err != nil {
		return nil, err
	}
	if kept != nil && len(l.entries) == 0 && l.Ahead.Equal(kept.Standing.Ahead) {
		return l.member(kept.Answer.Pending(advise.RulesOf(l.Checks, &l.Settings), w.zones.named(l.Settings.Zone)), w.zones), nil
	}
	return n.fold(w, l), nil
}

// fold answers for a life and takes a note of it.
func (n *notes) fold(w *world, l *life) *member {
	m := l.answer(w)
	if w.shelf == nil || l.Link == nil {
		return m
	}
	if raw, err := l.note(w.id, &m.weighed); err == nil {
		n.put(l.name, raw)
	} // else there is something that JSON cannot hold, and the answer is made anew
	return m
}

// later is what has come of a machine since its note, which is nil when the life
// is a whole one.
func (n *notes) later(w *world, machine string) (*life, *note, error) {
	machine = w.setups.Named(machine)
	kept, known := n.of(w, machine)
	if known && len(w.before[machine]) == 0 && kept.Standing.at(w.cut.asOf) {
		entries, link, err := w.shelf.After(machine, kept.Standing.Link)
		if err != nil {
			return nil, nil, err
		}
		if l := w.goOn(&kept, entries, link); l != nil {
			return l, &kept, nil
		}
	}
	l, err := w.life(machine)
	return l, nil, err
}

// at says whether a standing is one at this moment: what was ahead and now
// counts may belong before what came since, and a clock that was set back makes
// records that counted be ahead.
func (s *standing) at(asOf time.Time) bool {
	return (s.Ahead.IsZero() || s.Ahead.After(asOf)) && !s.Last.After(asOf)
}

// goOn is what entries after a note come to, nil if all is to be folded anew.
func (w *world) goOn(kept *note, entries []drift.Entry, link []byte) *life {
	if link == nil {
		return nil
	}
	s, err := kept.resume(w.pop)
	if err != nil {
		return nil
	}
	entries, ahead, old, _ := w.counted(entries)
	l := s.goOn(entries, &w.setups)
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
