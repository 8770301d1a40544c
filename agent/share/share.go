// Package share divides the machines of one store among equal processes.
//
// Machines belong to slots, by a hash of their name. A process works on a slot while it
// holds the slot's lease in the database: it folds the machines' records and publishes
// their states. All processes follow what the others publish, so that each answers for the
// whole fleet. A lease ends by itself when its process does not renew it; another process
// takes it and continues from the published states. Every write of a holder carries the
// number of its lease, which rises with every new holder: a process that was paused and
// wakes up writes nothing.
//
// One more lease, for the whole fleet, says who learns the populations, decides on alerts
// and sends them.
package share

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"arcdrift/drift"
)

const (
	// beat is how often a process renews its leases and looks at what is new.
	beat = time.Second
	// term is how long a lease lasts without being renewed.
	term = 10 * time.Second
	// mostStill is how long the fleet's work may stand still while the leases are renewed.
	mostStill = 5 * time.Minute
)

// Fleet is what a share keeps up to date.
type Fleet interface {
	// Touch reports machines with new entries.
	Touch(machines []string)
	// Taken reports machines that are this process's from now on: what was published of
	// them since the last report, and the links of their newest entries.
	Taken(published, links map[string][]byte)
	// Relearn reports a setup that another process took.
	Relearn()
	// Published reports what other processes have published.
	Published(values map[string][]byte)
	// Moved is when its work last went on, zero where that is not known.
	Moved() time.Time
}

// Entries are the entries of the store.
type Entries interface {
	After(machine string, link []byte) ([]drift.Entry, []byte, error)
}

// Share is what one process works on.
type Share struct {
	table   Table
	entries Entries
	process string
	now     func() time.Time
	log     *slog.Logger

	fleet   Fleet
	counted func(map[string]drift.Counter)
	note    func() []byte

	mu      sync.RWMutex // guards what follows; maps in it are replaced, not changed
	held    map[int]int64
	until   time.Time // the leases are ours until then, by our own clock
	lapsed  bool      // they had ended meanwhile
	picture Picture
	lost    error // of the last renewal
	failed  error
	taken   uint64 // leases taken over since the start

	// Used by Run's own goroutine only.
	marks    map[int]Mark
	versions map[int]int64
	begun    map[int]int64 // the leases under which the fleet works, by slot
}

// Join takes part in a table under the name of a process, which no other may have. It
// returns once it has renewed its leases for the first time.
func Join(ctx context.Context, table Table, entries Entries, process string, now func() time.Time, log *slog.Logger) (*Share, error) {
	s := &Share{table: table, entries: entries, process: process, now: now, log: log, held: map[int]int64{}, marks: map[int]Mark{}, versions: map[int]int64{}, begun: map[int]int64{}}
	// The first look shows who is there, the second takes what is due.
	for range 2 {
		if err := s.renew(ctx); err != nil {
			return nil, fmt.Errorf("the leases cannot be read: %w", err)
		}
	}
	maps.Copy(s.marks, s.picture.Newest) // the fleet reads all up to here by itself
	return s, nil
}

// Follow has the share keep a fleet, and the arc counters of an intake, up to date. note is
// what this process tells the others about itself. Call it before Run.
func (s *Share) Follow(fleet Fleet, counted func(map[string]drift.Counter), note func() []byte) {
	s.fleet, s.counted, s.note = fleet, counted, note
}

// Notes are what all processes tell about themselves.
func (s *Share) Notes() [][]byte {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return slices.Collect(maps.Values(s.picture.Notes))
}

// String names the runner.
func (s *Share) String() string { return "share of " + s.process }

// Ready returns nil while the leases could be renewed.
func (s *Share) Ready() error {
	s.mu.RLock()
	defer s.mu.RUnlock()
	return s.failed
}

var errStill = fmt.Errorf("the work of this process has stood still for %.0f minutes, so that it has given its machines up; start it again", mostStill.Minutes())

// still says whether the fleet's work hangs. The leases are renewed beside the work: without
// this a process would keep its machines although nobody works on them.
func (s *Share) still() bool {
	if s.fleet == nil {
		return false
	}
	moved := s.fleet.Moved()
	return !moved.IsZero() && s.now().Sub(moved) > mostStill
}

// Run renews the leases and follows the other processes until ctx ends. Then it gives the
// leases up, so that others take them at once. The leases are renewed beside the following,
// which may take longer than they last: a process that starts reads the states of all
// machines.
func (s *Share) Run(ctx context.Context) error {
	renewed := make(chan struct{}, 1)
	var beside sync.WaitGroup
	beside.Go(func() { s.keepRenewing(ctx, renewed) })
	for {
		select {
		case <-ctx.Done():
			beside.Wait()
			return s.leave(context.WithoutCancel(ctx))
		case <-renewed:
			s.step(ctx)
		}
	}
}

// keepRenewing renews the leases at every beat until ctx ends.
func (s *Share) keepRenewing(ctx context.Context, renewed chan<- struct{}) {
	ticker := time.NewTicker(beat)
	defer ticker.Stop()
	for {
		err := s.renew(ctx)
		s.mu.Lock()
		s.lost = err
		s.mu.Unlock()
		select {
		case renewed <- struct{}{}:
		default: // the last one is not followed yet
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// stand is how things stood at a renewal.
type stand struct {
	held    map[int]int64
	picture Picture
}

// stand returns it, for the goroutine of Run.
func (s *Share) stand() (stand, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lapsed {
		clear(s.begun) // meanwhile the fleet has left these machines out
		s.lapsed = false
	}
	return stand{s.held, s.picture}, s.lost
}

// step follows what is new. A failure is logged once, and tried again at the next step.
func (s *Share) step(ctx context.Context) {
	is, err := s.stand()
	if err == nil {
		err = errors.Join(s.begin(ctx, is), s.hear(ctx, is), s.read(ctx, is))
	}
	if ctx.Err() != nil {
		return
	}
	s.mu.Lock()
	before := s.failed
	s.failed = err
	s.mu.Unlock()
	switch {
	case err != nil && (before == nil || before.Error() != err.Error()):
		s.log.Warn("this process does not follow the others; it answers with what it knows", "error", err)
	case err == nil && before != nil:
		s.log.Info("this process follows the others again")
	}
}

// renew renews the leases and takes those that are due.
func (s *Share) renew(ctx context.Context) error {
	ctx, stop := context.WithTimeout(ctx, term/2)
	defer stop()
	if s.still() {
		return errStill
	}
	began := s.now()
	r := Renewal{Process: s.process, For: term}
	r.Take, r.Leave = s.wishes()
	if s.note != nil {
		r.Note = s.note()
	}
	p, err := s.table.Renew(ctx, r)
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	held := map[int]int64{}
	for _, l := range p.Leases {
		if l.Process == s.process {
			held[l.Slot] = l.Fence
		}
	}
	s.lapsed = s.lapsed || !s.now().Before(s.until)
	s.held, s.picture = held, p
	// The lease began when the database saw the request, which is not before we sent it.
	s.until = began.Add(term)
	return nil
}

// wishes are the slots to take and to leave, by how things stood at the last renewal:
// every process has as many as the others, and who has too many leaves some.
func (s *Share) wishes() (take, leave []int) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	owner := map[int]string{}
	var mine []int
	for _, l := range s.picture.Leases {
		owner[l.Slot] = l.Process
		if l.Process == s.process && l.Slot != Whole {
			mine = append(mine, l.Slot)
		}
	}
	if len(s.picture.Processes) == 0 {
		return nil, nil // nothing is known yet
	}
	if owner[Whole] == "" {
		take = append(take, Whole)
	}
	slots := s.table.Slots()
	due := (slots + len(s.picture.Processes) - 1) / len(s.picture.Processes)
	slices.Sort(mine)
	for len(mine) > due {
		leave = append(leave, mine[len(mine)-1])
		mine = mine[:len(mine)-1]
	}
	// Processes begin at different slots, so that they do not try for the same ones.
	first := slices.Index(s.picture.Processes, s.process) * due
	for i := range slots {
		slot := (max(first, 0) + i) % slots
		if len(mine) < due && owner[slot] == "" {
			take, mine = append(take, slot), append(mine, slot)
		}
	}
	return take, leave
}

// begin has the fleet work on the machines of slots that are new to this process. What
// was published of them is up to date but for the machines whose link has moved on.
func (s *Share) begin(ctx context.Context, is stand) error {
	if s.fleet == nil {
		return nil
	}
	machines, slots := 0, 0
	for _, slot := range slices.Sorted(maps.Keys(is.held)) {
		if s.begun[slot] == is.held[slot] {
			continue
		}
		published, version, err := s.table.Published(ctx, slot, s.versions[slot])
		if err != nil {
			return err
		}
		links, err := s.table.Links(ctx, []int{slot})
		if err != nil {
			return err
		}
		s.versions[slot], s.begun[slot] = version, is.held[slot]
		s.fleet.Taken(published, links)
		s.mu.Lock()
		s.taken++
		s.mu.Unlock()
		if slot == Whole {
			s.log.Info("this process leads: it learns for all, decides on alerts and sends them")
			continue
		}
		machines, slots = machines+len(links), slots+1
	}
	if slots > 0 {
		s.log.Info("this process works on more machines", "slots", slots, "machines", machines)
	}
	return nil
}

// hear reports the machines that have new entries, whoever took them.
func (s *Share) hear(ctx context.Context, is stand) error {
	var touched []string
	counters, setups := map[string]drift.Counter{}, false
	for _, slot := range slices.Sorted(maps.Keys(is.picture.Newest)) {
		if is.picture.Newest[slot] == s.marks[slot] {
			continue
		}
		news, err := s.table.News(ctx, slot, s.marks[slot])
		if err != nil {
			return err
		}
		delete(news.Machines, "") // a setup of several machines
		for name, counter := range news.Machines {
			touched, counters[name] = append(touched, name), counter
		}
		setups = setups || news.Setups
		s.marks[slot] = is.picture.Newest[slot]
	}
	if s.fleet == nil || len(touched) == 0 && !setups {
		return nil
	}
	s.counted(counters)
	s.fleet.Touch(touched)
	if setups {
		s.fleet.Relearn()
	}
	return nil
}

// read reads what other processes have published.
func (s *Share) read(ctx context.Context, is stand) error {
	for _, slot := range slices.Sorted(maps.Keys(is.picture.Versions)) {
		if is.picture.Versions[slot] == s.versions[slot] {
			continue
		}
		if fence, held := is.held[slot]; held && s.begun[slot] == fence {
			s.versions[slot] = is.picture.Versions[slot] // it is our own
			continue
		}
		values, version, err := s.table.Published(ctx, slot, s.versions[slot])
		if err != nil {
			return err
		}
		s.versions[slot] = version
		if s.fleet != nil {
			s.fleet.Published(values)
		}
	}
	return nil
}

// leave gives all leases up.
func (s *Share) leave(ctx context.Context) error {
	ctx, stop := context.WithTimeout(ctx, term/2)
	defer stop()
	s.mu.Lock()
	all := slices.Collect(maps.Keys(s.held))
	s.held = map[int]int64{}
	s.mu.Unlock()
	if _, err := s.table.Renew(ctx, Renewal{Process: s.process, Leave: all}); err != nil {
		s.log.Warn("the leases could not be given up; others take them when they end", "error", err)
	}
	return nil
}

// Lease is the lease of a slot, if this process holds it.
func (s *Share) Lease(slot int) (Lease, bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	fence, held := s.held[slot]
	return Lease{Slot: slot, Process: s.process, Fence: fence}, held && s.now().Before(s.until)
}

func (s *Share) holds(slot int) bool {
	_, held := s.Lease(slot)
	return held
}

// Mine says whether this process works on the machine.
func (s *Share) Mine(machine string) bool { return s.holds(s.table.Slot(machine)) }

// Leads says whether this process does what one does for all: it learns the populations,
// decides on alerts and sends them.
func (s *Share) Leads() bool { return s.holds(Whole) }

// Learns implements [fleet.Share].
func (s *Share) Learns() bool { return s.Leads() }

// Status is what a process says of its share.
type Status struct {
	// Processes live; this one holds Held of Slots, and has taken Taken over.
	Processes, Held, Slots int
	Taken                  uint64
	// Leads says that it holds the lease for the whole fleet.
	Leads bool
}

// Status returns it.
func (s *Share) Status() Status {
	leads := s.Learns()
	s.mu.RLock()
	defer s.mu.RUnlock()
	out := Status{Processes: len(s.picture.Processes), Slots: s.table.Slots(), Taken: s.taken, Leads: leads}
	if s.now().Before(s.until) {
		for slot := range s.held {
			if slot != Whole {
				out.Held++
			}
		}
	}
	return out
}
