package share_test

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/fleet"
	"arcdrift/agent/share"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var start = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// process is a process of its own on the board.
type process struct {
	share *share.Share
	fleet *fleet.Fleet
	// halt ends its work, stop the whole process.
	halt, stop func()
}

func build() (string, error) { return "this one", nil }

func begin(t *testing.T, b *board, name string) *process {
	t.Helper()
	return beginOn(t, b, b.store, name)
}

// beginOn begins a process that reads its records from a store.
func beginOn(t *testing.T, b *board, records store.Records, name string) *process {
	t.Helper()
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	s, err := share.Join(t.Context(), b, b.store, name, b.now, log)
	require.NoError(t, err)
	f := fleet.New(store.NewReader(records, func(string) {}), b.now, log)
	f.UseShare(s, build)
	s.Follow(f, func(map[string]drift.Counter) {}, func() []byte { return []byte(name) })
	p := &process{share: s, fleet: f, halt: running(t, f.Run)}
	end := running(t, s.Run)
	p.stop = func() { p.halt(); end() }
	t.Cleanup(p.stop)
	return p
}

// running runs something until stop is called.
func running(t *testing.T, run func(context.Context) error) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	return sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-done)
	})
}

func soon(t *testing.T, what string, done func() bool) {
	t.Helper()
	require.Eventually(t, done, time.Minute, 10*time.Millisecond, what)
}

// count is an arc count: unlike a calibration it takes no simulation to answer.
func count(machine string, n int) drift.Entry {
	r := drift.Record{Type: drift.TypeUsage, Machine: machine, Time: start.Add(time.Duration(n-1000) * time.Minute), ArcCount: drift.Some(int64(n * 10))}
	r.ID = r.Identity()
	return drift.Entry{Record: r, Received: start, Via: "import"}
}

func fill(t *testing.T, s *storetest.Memory, machines, from, to int) {
	t.Helper()
	var entries []drift.Entry
	for m := range machines {
		for n := from; n < to; n++ {
			entries = append(entries, count(fmt.Sprintf("K-%03d", m), n))
		}
	}
	_, err := s.Append(entries, nil)
	require.NoError(t, err)
}

// records is how many records of the machine an answer of the process rests on.
func (p *process) records(machine string) int {
	a, _ := p.fleet.Snapshot().Assessment(machine)
	return a.Data.Records
}

func (p *process) knowsAll(machines, records int) func() bool {
	return func() bool {
		if p.fleet.Ready() != nil || len(p.fleet.Snapshot().Assessments()) != machines {
			return false
		}
		for m := range machines {
			if p.records(fmt.Sprintf("K-%03d", m)) != records {
				return false
			}
		}
		return true
	}
}

// Two processes share the machines, both answer for all of them, and in the same words.
// When one is lost, the other takes its machines over.
func TestTwoProcesses(t *testing.T) {
	const machines = 40
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 5)
	b := newBoard(s)
	one := begin(t, b, "one")
	soon(t, "one answers for all", one.knowsAll(machines, 5))
	two := begin(t, b, "two")
	soon(t, "the slots are shared", func() bool { return one.share.Status().Held == 8 && two.share.Status().Held == 8 })
	soon(t, "two answers for all", two.knowsAll(machines, 5))
	assert.True(t, one.share.Status().Leads)
	assert.False(t, two.share.Status().Leads)
	assert.ElementsMatch(t, [][]byte{[]byte("one"), []byte("two")}, two.share.Notes())

	fill(t, s, machines, 5, 7)
	soon(t, "one knows what is new", one.knowsAll(machines, 7))
	soon(t, "two knows what is new", two.knowsAll(machines, 7))
	for m := range machines {
		name := fmt.Sprintf("K-%03d", m)
		require.NotEqual(t, one.share.Mine(name), two.share.Mine(name), "one of them works on %s", name)
		a, _ := one.fleet.Snapshot().Assessment(name)
		z, _ := two.fleet.Snapshot().Assessment(name)
		z.AsOf = a.AsOf
		require.Equal(t, a, z, "both say the same of %s", name)
	}

	one.stop() // it gives its leases up
	soon(t, "two works on all", func() bool { return two.share.Status().Held == 16 && two.share.Status().Leads })
	fill(t, s, machines, 7, 8)
	soon(t, "two goes on for all", two.knowsAll(machines, 8))
}

// A process whose work hangs renews nothing and says so: another takes its machines, although
// the database hears of it.
func TestAProcessWhoseWorkHangsKeepsNoMachines(t *testing.T) {
	const machines = 20
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 2)
	b := newBoard(s)
	one := begin(t, b, "one")
	soon(t, "one answers for all", one.knowsAll(machines, 2))
	two := begin(t, b, "two")
	soon(t, "the slots are shared", func() bool { return one.share.Status().Held == 8 && two.share.Status().Held == 8 })
	soon(t, "two answers for all", two.knowsAll(machines, 2))
	one.halt()
	b.pass(4 * time.Minute) // its work may take as long
	two.fleet.Touch(nil)
	soon(t, "both renew their leases", func() bool { return b.fresh("one") && b.fresh("two") })
	require.NoError(t, one.share.Ready())
	b.pass(2 * time.Minute)
	soon(t, "two works on all", func() bool {
		two.fleet.Touch(nil)
		return two.share.Status().Held == 16 && two.share.Status().Leads
	})
	soon(t, "one says why it does not", func() bool { return one.share.Ready() != nil })
	assert.ErrorContains(t, one.share.Ready(), "stood still for 5 minutes")
	assert.Zero(t, one.share.Status().Held)
	fill(t, s, machines, 2, 3)
	soon(t, "two goes on for all", two.knowsAll(machines, 3))
}

// A setup for several machines belongs to none: no process answers for a machine without a
// name, not even until the populations are learnt again. What is published of the whole fleet
// has no machine's name either, and stays.
func TestASetupOfSeveralMachinesIsNoMachine(t *testing.T) {
	const machines = 4
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 2)
	b := newBoard(s)
	records := &slowHistories{Memory: s, asked: make(chan struct{}, 1)}
	p := beginOn(t, b, records, "one")
	soon(t, "it answers", p.knowsAll(machines, 2))
	populations, err := b.Value(t.Context(), share.Whole, "")
	require.NoError(t, err)
	require.NotEmpty(t, populations)

	open := records.shutOff()
	t.Cleanup(open) // before the process is stopped
	site := drift.Record{Type: drift.TypeSetup, Time: start.AddDate(0, -1, 0), Setup: &drift.Setup{Scope: drift.ScopeSite, Name: "north", Depot: "east"}}
	site.ID = site.Identity()
	_, err = s.Append([]drift.Entry{{Record: site, Received: start, Via: "import"}}, nil)
	require.NoError(t, err)
	soon(t, "it learns", func() bool { return len(records.asked) > 0 })
	fill(t, s, machines, 2, 3)
	soon(t, "it answers for new records", p.knowsAll(machines, 3))
	_, there := p.fleet.Snapshot().Assessment("")
	assert.False(t, there)
	now, err := b.Value(t.Context(), share.Whole, "")
	require.NoError(t, err)
	assert.Equal(t, string(populations), string(now))
}

// New records are answered while the populations are learnt again, also by the process
// that learns.
func TestLearningHoldsNothingUp(t *testing.T) {
	const machines = 4
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 2)
	b := newBoard(s)
	records := &slowHistories{Memory: s, asked: make(chan struct{}, 1)}
	p := beginOn(t, b, records, "one")
	soon(t, "it answers", p.knowsAll(machines, 2))

	open := records.shutOff()
	t.Cleanup(open) // before the process is stopped
	p.fleet.Relearn()
	soon(t, "it learns", func() bool { return len(records.asked) > 0 })
	fill(t, s, machines, 2, 3)
	soon(t, "it answers for new records", p.knowsAll(machines, 3))
	fill(t, s, machines+1, 3, 4) // one machine is new
	soon(t, "and for a new machine", func() bool { return p.records("K-004") == 1 })
	open()
	fill(t, s, machines+1, 4, 5)
	soon(t, "and when it has learnt", func() bool { return p.records("K-000") == 5 && p.records("K-004") == 2 })
}

// A machine whose state cannot be published is answered for by every process, and all are
// ready.
func TestAStateThatCannotBePublished(t *testing.T) {
	const machines = 8
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 2)
	b := newBoard(s)
	b.unkept = "K-003"
	one := begin(t, b, "one")
	two := begin(t, b, "two")
	soon(t, "the slots are shared", func() bool { return one.share.Status().Held == 8 && two.share.Status().Held == 8 })
	soon(t, "one answers for all", one.knowsAll(machines, 2))
	soon(t, "two answers for all", two.knowsAll(machines, 2))
	fill(t, s, machines, 2, 3)
	soon(t, "one knows what is new", one.knowsAll(machines, 3))
	soon(t, "two knows what is new", two.knowsAll(machines, 3))
	three := begin(t, b, "three")
	soon(t, "three answers for all", three.knowsAll(machines, 3))
}

// countedRounds counts the rounds of whoever reads its records.
type countedRounds struct {
	*storetest.Memory
	n atomic.Int64
}

func (c *countedRounds) RefusalCounts() ([]store.RefusalCount, error) {
	c.n.Add(1)
	return c.Memory.RefusalCounts()
}

// A process is ready once it answers for all machines, also those of other processes.
func TestReadyWithAllMachines(t *testing.T) {
	const machines = 40
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 3)
	b := newBoard(s)
	one := begin(t, b, "one")
	soon(t, "one answers for all", one.knowsAll(machines, 3))

	open := b.shutOff()
	t.Cleanup(open)
	rounds := &countedRounds{Memory: s}
	two := beginOn(t, b, rounds, "two")
	t.Cleanup(open) // before two is stopped, which waits for the board
	soon(t, "two has begun", func() bool { return two.fleet.Snapshot().Version >= 1 })
	for n := range int64(4) {
		two.fleet.Touch([]string{"K-000"})
		soon(t, "two works", func() bool { return rounds.n.Load() > n })
	}
	require.Empty(t, two.fleet.Snapshot().Assessments())
	require.Error(t, two.fleet.Ready(), "it knows no machine")
	open()
	soon(t, "two is ready", func() bool { return two.fleet.Ready() == nil })
	assert.Len(t, two.fleet.Snapshot().Assessments(), machines)
}

// A process that reads for longer than a lease lasts keeps its leases meanwhile.
func TestLeasesOutlastReading(t *testing.T) {
	s := &storetest.Memory{}
	fill(t, s, 40, 0, 2)
	b := newBoard(s)
	one := begin(t, b, "one")
	soon(t, "one answers for all", one.knowsAll(40, 2))
	open := b.shutOff()
	t.Cleanup(open)
	begin(t, b, "two")
	t.Cleanup(open) // before two is stopped, which waits for the board
	soon(t, "the slots are shared", func() bool { return len(b.fences("two")) == 8 })
	before := b.fences("two")
	for range 4 {
		b.pass(4 * time.Second) // a lease lasts ten
		soon(t, "both renew", func() bool { return b.fresh("one") && b.fresh("two") })
	}
	assert.Equal(t, before, b.fences("two"))
}

// Who takes machines over reads the states of those with new records only, however many
// machines there are.
func TestTakeoverReadsWhatMoved(t *testing.T) {
	const machines = 400
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 2)
	b := newBoard(s)
	one := begin(t, b, "one")
	two := begin(t, b, "two")
	soon(t, "the slots are shared", func() bool { return one.share.Status().Held == 8 && two.share.Status().Held == 8 })
	soon(t, "one answers for all", one.knowsAll(machines, 2))
	soon(t, "two answers for all", two.knowsAll(machines, 2))

	one.halt()
	before := b.statesRead()
	var moved []string
	for m := 0; len(moved) < 3; m++ {
		if name := fmt.Sprintf("K-%03d", m); one.share.Mine(name) {
			moved = append(moved, name)
		}
	}
	for _, name := range moved {
		_, err := s.Append([]drift.Entry{count(name, 2)}, nil)
		require.NoError(t, err)
	}
	one.stop()
	soon(t, "two works on all", func() bool { return two.share.Status().Held == 16 })
	soon(t, "two answers for what came", func() bool {
		for _, name := range moved {
			if two.records(name) != 3 {
				return false
			}
		}
		return true
	})
	assert.LessOrEqual(t, b.statesRead()-before, 2*len(moved), "two for each: new records may be heard of twice")
}

// The days of the machines of other processes come with what those publish: they are not
// read one by one.
func TestDaysComeWithTheStates(t *testing.T) {
	const machines = 40
	s := &storetest.Memory{}
	fill(t, s, machines, 0, 2)
	b := newBoard(s)
	one := begin(t, b, "one")
	soon(t, "one has counted the days", func() bool { return len(one.fleet.Days().Machines) == machines })
	soon(t, "one has published them", func() bool { return b.daysPublished() == machines })
	before := b.daysRead()
	two := begin(t, b, "two")
	soon(t, "two knows the days of all", func() bool { return len(two.fleet.Days().Machines) == machines })
	assert.Equal(t, before, b.daysRead())
}

// A process that cannot renew its leases works on nothing once they have ended, and what
// it publishes with the number of an old lease changes nothing.
func TestAPausedProcess(t *testing.T) {
	s := &storetest.Memory{}
	fill(t, s, 4, 0, 2)
	b := newBoard(s)
	ctx := t.Context()
	paused, err := share.Join(ctx, b, s, "paused", b.now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.True(t, paused.Mine("K-000"))
	require.True(t, paused.Learns())
	require.NoError(t, paused.PutCached(map[string][]byte{"K-000": []byte("before"), "": []byte("populations")}))

	b.pass(11 * time.Second)
	assert.False(t, paused.Mine("K-000"), "its leases have ended")
	assert.False(t, paused.Learns())
	other, err := share.Join(ctx, b, s, "other", b.now, slog.New(slog.DiscardHandler))
	require.NoError(t, err)
	require.True(t, other.Mine("K-000"))
	require.NoError(t, other.PutCached(map[string][]byte{"K-000": []byte("after")}))

	require.NoError(t, paused.PutCached(map[string][]byte{"K-000": []byte("stale"), "": []byte("stale")}))
	// Its clock may stand still: then only the number of the lease gives it away.
	require.ErrorIs(t, b.Publish(ctx, b.Slot("K-000"), 1, map[string][]byte{"K-000": []byte("stale")}), share.ErrFenced)
	for name, want := range map[string]string{"K-000": "after", "": "populations"} {
		got, err := other.Cached(name)
		require.NoError(t, err)
		assert.Equal(t, want, string(got), name)
	}
}

// While the database is away a process says so, goes on answering, and is back by itself.
func TestDatabaseAway(t *testing.T) {
	s := &storetest.Memory{}
	fill(t, s, 4, 0, 2)
	b := newBoard(s)
	p := begin(t, b, "one")
	soon(t, "it answers", p.knowsAll(4, 2))
	b.cut(true)
	soon(t, "it says so", func() bool { return p.share.Ready() != nil })
	assert.ErrorIs(t, p.share.Ready(), errAway)
	assert.Equal(t, 2, p.records("K-001"))
	b.cut(false)
	fill(t, s, 4, 2, 3)
	soon(t, "it goes on", p.knowsAll(4, 3))
	assert.NoError(t, p.share.Ready())
}
