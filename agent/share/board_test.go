package share_test

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"sync"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/agent/share"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// slowHistories is a store whose whole histories, from which a fleet learns, can be held
// back.
type slowHistories struct {
	*storetest.Memory
	asked chan struct{}

	mu   sync.Mutex
	shut chan struct{} // nil for open
}

func (s *slowHistories) shutOff() (open func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	shut := make(chan struct{})
	s.shut = shut
	return sync.OnceFunc(func() { close(shut) })
}

func (s *slowHistories) History(machine string) ([]drift.Entry, error) {
	s.mu.Lock()
	shut := s.shut
	s.mu.Unlock()
	if shut != nil {
		select {
		case s.asked <- struct{}{}:
		default:
		}
		<-shut
	}
	return s.Memory.History(machine)
}

// board is a table in memory, whose clock the test sets.
type board struct {
	store *storetest.Memory

	mu        sync.Mutex
	at        time.Time
	away      bool
	processes map[string]time.Time
	notes     map[string][]byte
	leases    map[int]held
	values    map[int]map[string]value
	versions  map[int]int64
	unkept    string        // the machine whose state cannot be published
	states    int           // how many states of machines were read one by one
	days      int           // and how many days
	shut      chan struct{} // until it is closed, nobody reads what is published
}

type held struct {
	process string
	fence   int64
	until   time.Time
}

type value struct {
	raw     []byte
	version int64
}

var errAway = errors.New("the database is away")

func newBoard(store *storetest.Memory) *board {
	b := &board{store: store, at: start, processes: map[string]time.Time{}, notes: map[string][]byte{}, leases: map[int]held{}, values: map[int]map[string]value{}, versions: map[int]int64{}, shut: make(chan struct{})}
	close(b.shut)
	return b
}

func (*board) Slots() int { return 16 }

func (b *board) Slot(machine string) int {
	h := fnv.New32a()
	h.Write([]byte(machine))
	return int(h.Sum32() % 16)
}

func (b *board) now() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.at
}

func (b *board) pass(d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.at = b.at.Add(d)
}

// shutOff has readers of what is published wait until open is called.
func (b *board) shutOff() (open func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shut = make(chan struct{})
	return sync.OnceFunc(func() { close(b.shut) })
}

// fences are the numbers of the leases that a process has.
func (b *board) fences(process string) map[int]int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := map[int]int64{}
	for slot, l := range b.leases {
		if l.process == process && l.until.After(b.at) {
			out[slot] = l.fence
		}
	}
	return out
}

// fresh says whether a process has renewed its leases at this moment.
func (b *board) fresh(process string) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.processes[process].Equal(b.at.Add(10 * time.Second))
}

func (b *board) statesRead() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.states
}

func (b *board) daysRead() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.days
}

// daysPublished is of how many machines the days are published.
func (b *board) daysPublished() (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, values := range b.values {
		for name := range values {
			if machine, of := fleet.MachineOf(name); of && machine != name {
				n++
			}
		}
	}
	return n
}

func (b *board) cut(away bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.away = away
}

func (b *board) Renew(_ context.Context, r share.Renewal) (share.Picture, error) {
	entries, err := b.store.Since(0, 0, 0)
	if err != nil {
		return share.Picture{}, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.away {
		return share.Picture{}, errAway
	}
	b.processes[r.Process], b.notes[r.Process] = b.at.Add(r.For), r.Note
	maps.DeleteFunc(b.processes, func(_ string, until time.Time) bool { return !until.After(b.at) })
	for slot, l := range b.leases {
		switch {
		case l.process == r.Process && slices.Contains(r.Leave, slot):
			l.until, l.fence = time.Time{}, l.fence+1
		case l.process == r.Process && l.until.After(b.at):
			l.until = b.at.Add(r.For)
		}
		b.leases[slot] = l
	}
	for _, slot := range r.Take {
		if l := b.leases[slot]; !l.until.After(b.at) {
			b.leases[slot] = held{r.Process, l.fence + 1, b.at.Add(r.For)}
		}
	}
	p := share.Picture{Processes: slices.Sorted(maps.Keys(b.processes)), Notes: maps.Clone(b.notes), Newest: map[int]share.Mark{}, Versions: maps.Clone(b.versions)}
	for slot, l := range b.leases {
		if l.until.After(b.at) {
			p.Leases = append(p.Leases, share.Lease{Slot: slot, Process: l.process, Fence: l.fence})
		}
	}
	for i := range entries {
		p.Newest[b.Slot(entries[i].Machine)] = share.Mark{Epoch: entries[i].StoreEpoch, Seq: entries[i].StoreSeq}
	}
	return p, nil
}

func (b *board) News(_ context.Context, slot int, after share.Mark) (share.News, error) {
	entries, err := b.store.Since(after.Epoch, after.Seq, 0)
	if err != nil {
		return share.News{}, err
	}
	out := share.News{Machines: map[string]drift.Counter{}}
	for i := range entries {
		e := &entries[i]
		if b.Slot(e.Machine) != slot {
			continue
		}
		out.Machines[e.Machine] = out.Machines[e.Machine].Next(e)
		out.Setups = out.Setups || e.Type == drift.TypeSetup
	}
	return out, nil
}

func (b *board) Publish(_ context.Context, slot int, fence int64, values map[string][]byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.away {
		return errAway
	}
	if b.leases[slot].fence != fence {
		return share.ErrFenced
	}
	b.versions[slot]++
	if b.values[slot] == nil {
		b.values[slot] = map[string]value{}
	}
	for name, raw := range values {
		if b.unkept != "" && name == b.unkept {
			raw = []byte{}
		}
		b.values[slot][name] = value{raw, b.versions[slot]}
	}
	return nil
}

func (b *board) Links(_ context.Context, slots []int) (map[string][]byte, error) {
	names, err := b.store.Machines()
	if err != nil {
		return nil, err
	}
	out := map[string][]byte{}
	for _, name := range names {
		if slices.Contains(slots, b.Slot(name)) {
			if _, out[name], err = b.store.After(name, nil); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

func (b *board) Published(_ context.Context, slot int, after int64) (map[string][]byte, int64, error) {
	b.mu.Lock()
	shut := b.shut
	b.mu.Unlock()
	<-shut
	b.mu.Lock()
	defer b.mu.Unlock()
	out := map[string][]byte{}
	for name, v := range b.values[slot] {
		if v.version > after {
			out[name] = v.raw
		}
	}
	return out, b.versions[slot], nil
}

func (b *board) Value(_ context.Context, slot int, name string) ([]byte, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch machine, of := fleet.MachineOf(name); {
	case of && machine == name:
		b.states++
	case of:
		b.days++
	}
	return b.values[slot][name].raw, nil
}

func (b *board) Values(_ context.Context, slot int, names []string) (map[string][]byte, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := map[string][]byte{}
	for _, name := range names {
		if v, there := b.values[slot][name]; there {
			out[name] = v.raw
			b.states++
		}
	}
	return out, nil
}

func (b *board) Stretches(_ context.Context, slot int, links map[string][]byte) (map[string]fleet.Stretch, error) {
	out := map[string]fleet.Stretch{}
	for name, link := range links {
		if b.Slot(name) != slot {
			return nil, fmt.Errorf("%s is not of slot %d", name, slot)
		}
		entries, last, err := b.store.After(name, link)
		if err != nil {
			return nil, err
		}
		out[name] = fleet.Stretch{Entries: entries, Link: last}
	}
	return out, nil
}
