package fleet

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"arcdrift/agent/intake"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// Every store that passes the suite can be the fleet's cache.
var _ Cache = storetest.Cache(nil)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// memoryStore is a store in memory as the fleet reads it.
type memoryStore struct {
	*storetest.Memory
	fail error  // what reading machines gives
	slow func() // called before a machine is read
}

func (b *memoryStore) Refused() (map[string]int, error) {
	out := map[string]int{}
	counts, err := b.RefusalCounts()
	for _, c := range counts {
		out[c.Machine] += int(c.Count)
	}
	return out, err
}

func (b *memoryStore) History(machine string) ([]drift.Entry, error) {
	if b.fail != nil {
		return nil, b.fail
	}
	if b.slow != nil {
		b.slow()
	}
	return b.Memory.History(machine)
}

// yard is a fleet with its intake and a clock of its own.
type yard struct {
	*Fleet
	store  *memoryStore
	intake *intake.Handler
	now    time.Time
}

func newYard(t *testing.T, now time.Time) *yard {
	y := &yard{store: &memoryStore{Memory: &storetest.Memory{}}, now: now}
	clock := func() time.Time { return y.now }
	y.Fleet = New(y.store, clock, slog.New(slog.DiscardHandler))
	y.intake = intake.New(y.store.Memory, clock, y.Announce)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- y.intake.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-done)
	})
	return y
}

func (y *yard) catchUp() error { return y.Fleet.catchUp(context.Background()) }

// take sends records to the intake and lets the fleet catch up.
func (y *yard) take(t *testing.T, records ...drift.Record) {
	y.send(t, records...)
	require.NoError(t, y.catchUp())
}

// send sends records to the intake.
func (y *yard) send(t *testing.T, records ...drift.Record) {
	var offers []intake.Submission
	for _, r := range records {
		offers = append(offers, intake.Submission{Raw: r.AppendCanonical(nil), Record: r, Via: "import"})
	}
	receipts, err := y.intake.Take(t.Context(), offers)
	require.NoError(t, err)
	for _, r := range receipts {
		require.Nil(t, r.Refused)
	}
}

// replayed is what the records alone say of now.
func (y *yard) replayed(t *testing.T) []advise.Assessment {
	all, err := Replay(y.store, "", y.now, drift.Opt[time.Time]{})
	require.NoError(t, err)
	return all
}

const days = 30

var first = time.Date(2026, 2, 2, 0, 0, 0, 0, time.UTC)

// evening is the moment most tests ask about: the last day's, after work.
var evening = first.AddDate(0, 0, days-1).Add(21 * time.Hour)

// story is a small fleet's records up to that evening, the last day's apart.
func story(t *testing.T) (before, today []drift.Record) {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	midnight := learntAt(evening)
	for _, r := range synth.Make(w, 11, 4, first, days).Records {
		switch {
		case r.Time.After(evening):
		case r.Time.After(midnight):
			today = append(today, r)
		default:
			before = append(before, r)
		}
	}
	require.NotEmpty(t, today)
	return before, today
}

func shuffled(records []drift.Record, seed uint64) []drift.Record {
	out := append([]drift.Record(nil), records...)
	rand.New(rand.NewPCG(seed, 1)).Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// In whatever order records are announced, and in however many parts, the
// snapshot is the answer of a replay for now.
func TestSnapshotIsReplay(t *testing.T) {
	before, today := story(t)
	y := newYard(t, evening)
	y.take(t, shuffled(before, 1)...)
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
	// What comes on the day itself is folded without learning anew.
	for _, r := range shuffled(today, 2) {
		y.take(t, r)
	}
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
	version := y.Snapshot().Version

	other := newYard(t, evening)
	all := shuffled(append(append([]drift.Record(nil), today...), before...), 3)
	for len(all) > 0 {
		n := min(len(all), 1+len(all)/2)
		other.take(t, all[:n]...)
		all = all[n:]
	}
	assert.Equal(t, y.Snapshot().Assessments(), other.Snapshot().Assessments(), "another order, the same answers")
	require.Len(t, y.Snapshot().Assessments(), 4)
	a, ok := y.Snapshot().Assessment("M-00001")
	require.True(t, ok)
	assert.Equal(t, "M-00001", a.Machine)

	// Past midnight everything is learnt anew.
	y.now = evening.AddDate(0, 0, 1)
	require.NoError(t, y.catchUp())
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
	assert.Greater(t, y.Snapshot().Version, version)
}

func TestAsOfIsWhatWasThen(t *testing.T) {
	before, today := story(t)
	then := first.AddDate(0, 0, 20).Add(12 * time.Hour)
	y, past := newYard(t, evening), newYard(t, then)
	y.take(t, shuffled(append(append([]drift.Record(nil), before...), today...), 4)...)
	var early []drift.Record
	for _, r := range before {
		if !r.Time.After(then) {
			early = append(early, r)
		}
	}
	past.take(t, early...)
	got, err := y.AssessAt("", drift.Some(then), drift.Opt[time.Time]{})
	require.NoError(t, err)
	assert.Equal(t, past.Snapshot().Assessments(), got)

	one, err := y.AssessAt("M-00002", drift.Some(then), drift.Opt[time.Time]{})
	require.NoError(t, err)
	require.Len(t, one, 1)
	assert.Contains(t, got, one[0])
	now, err := y.AssessAt("", drift.Opt[time.Time]{}, drift.Opt[time.Time]{})
	require.NoError(t, err)
	assert.Equal(t, y.Snapshot().Assessments(), now)
}

// What had not arrived yet was not known, whenever it happened.
func TestKnownAtIsWhatHadArrived(t *testing.T) {
	before, today := story(t)
	y, early := newYard(t, evening), newYard(t, evening)
	half := len(before) / 2
	y.take(t, before[:half]...)
	early.take(t, before[:half]...)
	y.now = evening.Add(time.Hour)
	y.take(t, before[half:]...)
	y.take(t, today...)
	got, err := y.AssessAt("", drift.Some(evening), drift.Some(evening))
	require.NoError(t, err)
	want := early.Snapshot().Assessments()
	for _, a := range want {
		assert.Contains(t, got, a)
	}
	all, err := y.AssessAt("", drift.Some(evening), drift.Some(y.now))
	require.NoError(t, err)
	assert.NotEqual(t, got, all)
}

func TestRetiredAndUnknownMachines(t *testing.T) {
	before, today := story(t)
	y := newYard(t, evening)
	y.take(t, append(before, today...)...)
	y.take(t, drift.Record{
		Type: drift.TypeSetup, ID: "retire", Machine: "M-00003", Time: evening.Add(-time.Hour),
		Setup: &drift.Setup{Scope: drift.ScopeMachine, Retired: drift.Some(true)},
	})
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
	_, ok := y.Snapshot().Assessment("M-00003")
	assert.False(t, ok, "retired machines need nobody")
	one, err := Replay(y.store, "M-00003", y.now, drift.Opt[time.Time]{})
	require.NoError(t, err)
	assert.Len(t, one, 1, "but who asks for one gets its answer")

	for _, asOf := range []drift.Opt[time.Time]{{}, drift.Some(evening)} {
		none, err := y.AssessAt("K-99", asOf, drift.Opt[time.Time]{})
		require.NoError(t, err)
		assert.Empty(t, none)
	}
	a, err := y.Move(advise.Move{Machine: "K-99", Temperature: drift.Some(20.0), Humidity: drift.Some(50.0), Altitude: drift.Some(0.0)})
	require.NoError(t, err)
	assert.Equal(t, advise.CannotTell, a.Answer)
	assert.Equal(t, evening, a.AsOf)
}

func TestRunStopsAndReportsWhenItIsReady(t *testing.T) {
	before, _ := past(t, evening)
	y := newYard(t, evening)
	assert.Error(t, y.Ready())
	y.take(t, before...)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- y.Run(ctx) }()
	require.Eventually(t, func() bool { return y.Ready() == nil }, time.Minute, time.Millisecond)
	stop()
	require.NoError(t, <-done)
	assert.Len(t, y.Snapshot().Assessments(), 2)
}

// A stop does not wait until all has been read and learnt.
func TestRunStopsWhileItReads(t *testing.T) {
	before, _ := story(t)
	y := newYard(t, evening)
	y.send(t, before...)
	ctx, stop := context.WithCancel(t.Context())
	var reads atomic.Int64
	y.store.slow = func() {
		reads.Add(1)
		stop()
	}
	require.NoError(t, y.Run(ctx))
	assert.LessOrEqual(t, reads.Load(), int64(runtime.GOMAXPROCS(0)), "histories read after the stop")
	assert.Empty(t, y.Snapshot().Assessments())
}

// However long reading takes, while records come in a flood the fleet works a
// fifth of the time and leaves a processor alone. At the start it takes all.
func TestAFloodFindsProcessorsFree(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(3))
	synctest.Test(t, func(t *testing.T) {
		records := &memoryStore{Memory: &storetest.Memory{}}
		var flood []drift.Entry
		for _, machine := range []string{"K-01", "K-02", "K-03", "K-04", "K-05", "K-06"} {
			flood = append(flood, storetest.Calibration(machine, 1))
		}
		_, err := records.Append(flood, nil)
		require.NoError(t, err)
		const reading = 100 * time.Millisecond
		var at, most atomic.Int64
		records.slow = func() {
			most.Store(max(most.Load(), at.Add(1)))
			time.Sleep(reading)
			at.Add(-1)
		}
		f := New(records, time.Now, slog.New(slog.DiscardHandler))
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- f.Run(ctx) }()
		for f.Ready() != nil {
			time.Sleep(reading)
		}
		assert.EqualValues(t, 3, most.Swap(0))
		const looks = 10_000
		worked := 0
		for range looks {
			f.Announce(flood)
			time.Sleep(reading / 10)
			if at.Load() > 0 {
				worked++
			}
		}
		stop()
		require.NoError(t, <-done)
		assert.InDelta(t, 0.2, float64(worked)/looks, 0.05)
		assert.EqualValues(t, 2, most.Load())
	})
}

// If the store cannot be read, the snapshot stays as it was.
func TestAnUnreadableStoreKeepsTheSnapshot(t *testing.T) {
	before, _ := past(t, evening)
	y := newYard(t, evening)
	y.take(t, before...)
	was := y.Snapshot()
	y.store.fail = errors.New("the disk is gone")
	y.now = evening.AddDate(0, 0, 1)
	require.ErrorIs(t, y.catchUp(), y.store.fail)
	assert.Same(t, was, y.Snapshot())
	y.store.fail = nil
	require.NoError(t, y.catchUp())
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())

	// A machine whose new record could not be read is read at the next change.
	y.send(t, calibration("M-00001", y.now.Add(-time.Hour)))
	y.store.fail = errors.New("the disk is gone again")
	require.ErrorIs(t, y.catchUp(), y.store.fail)
	y.store.fail = nil
	require.NoError(t, y.catchUp())
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
}

// calibration is one more attempt of a machine.
func calibration(machine string, at time.Time) drift.Record {
	r := storetest.Calibration(machine, 9000).Record
	r.ID, r.Time = machine+at.Format(time.RFC3339), at
	return r
}

// A sender whose clock runs ahead is heard when its moment has come.
func TestAClockAheadIsWaitedFor(t *testing.T) {
	before, _ := past(t, evening)
	y := newYard(t, evening)
	y.take(t, before...)
	y.take(t, calibration("M-00001", evening.Add(2*time.Minute)), calibration("K-98", evening.Add(3*time.Minute)))
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
	y.now = evening.Add(5 * time.Minute)
	require.NoError(t, y.catchUp())
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
	a, ok := y.Snapshot().Assessment("M-00001")
	require.True(t, ok)
	assert.Equal(t, drift.Some(evening.Add(2*time.Minute)), a.Data.Last)
}

// A machine first heard of today is there as of today, and a setup of this hour
// does not count the hour before.
func TestAsOfAMomentOfToday(t *testing.T) {
	before, today := story(t)
	y := newYard(t, evening)
	y.take(t, append(before, today...)...)
	y.take(t, calibration("K-99", evening.Add(-time.Hour)))
	y.take(t, drift.Record{
		Type: drift.TypeSetup, ID: "retire", Machine: "M-00003", Time: evening.Add(-time.Hour),
		Setup: &drift.Setup{Scope: drift.ScopeMachine, Retired: drift.Some(true)},
	})
	for _, at := range []time.Time{evening, evening.Add(-2 * time.Hour)} {
		got, err := y.AssessAt("", drift.Some(at), drift.Opt[time.Time]{})
		require.NoError(t, err)
		want, err := Replay(y.store, "", at, drift.Opt[time.Time]{})
		require.NoError(t, err)
		assert.Equal(t, want, got, "%v", at)
	}
	one, err := y.AssessAt("K-99", drift.Some(evening), drift.Opt[time.Time]{})
	require.NoError(t, err)
	assert.Len(t, one, 1)
}

// Old records that come one after the other do not keep the fleet learning, but
// what they teach is learnt in the end.
func TestLearningAnewRests(t *testing.T) {
	before, _ := past(t, evening)
	y := newYard(t, evening)
	y.take(t, before[:len(before)-2]...)
	var mu sync.Mutex
	y.store.slow = func() {
		mu.Lock()
		defer mu.Unlock()
		y.now = y.now.Add(time.Second)
	}
	learnt := func() *model.Population { return y.generation.Load().pop }
	was := learnt()
	y.take(t, before[len(before)-2])
	assert.NotSame(t, was, learnt())
	was = learnt()
	y.take(t, before[len(before)-1])
	assert.Same(t, was, learnt(), "it has just learnt")
	a, ok := y.Snapshot().Assessment(before[len(before)-1].Machine)
	require.True(t, ok)
	assert.Equal(t, before[len(before)-1].Time.UTC(), a.Data.Last.Or(time.Time{}), "but the record has been heard")
	y.now = y.now.Add(time.Minute)
	require.NoError(t, y.catchUp())
	assert.NotSame(t, was, learnt())
	y.store.slow = nil
	y.now = y.now.Add(mostRest)
	require.NoError(t, y.catchUp())
	assert.Equal(t, y.replayed(t), y.Snapshot().Assessments())
}

// A zone that this computer does not know is not taken for UTC in silence.
func TestAnUnknownZoneIsReported(t *testing.T) {
	before, _ := past(t, evening)
	y := newYard(t, evening)
	machine := before[len(before)-1].Machine
	for _, zone := range []string{"Nowhere/Atlantis", "Europe/Oslo"} {
		y.take(t, append(before, drift.Record{
			Type: drift.TypeSetup, ID: "zone-" + zone, Machine: machine, Time: y.now,
			Setup: &drift.Setup{Scope: drift.ScopeMachine, Zone: zone},
		})...)
		all, err := Replay(y.store, machine, y.now, drift.Opt[time.Time]{})
		require.NoError(t, err)
		assert.Equal(t, zone == "Nowhere/Atlantis", strings.Contains(strings.Join(all[0].Warnings, " "), "This computer does not know the time zone “"+zone+"”"), "%s: %v", zone, all[0].Warnings)
		y.now = y.now.Add(time.Minute)
	}
}
