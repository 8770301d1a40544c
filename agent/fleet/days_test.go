package fleet

import (
	"context"
	"errors"
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/health"
)

// counted does all the work on days that there is.
func counted(t testing.TB, f *Fleet) *health.Book {
	t.Helper()
	f.days.next = time.Time{}
	for {
		worked, err := f.dayStep(t.Context(), f.generation.Load(), f.now())
		require.NoError(t, err)
		if !worked {
			return f.Days()
		}
	}
}

// replays says what a replay says of a machine at the end of a day, with the populations of
// the month's first midnight.
type replays struct {
	reader Reader
	months map[health.Day]*generation
}

func (r *replays) state(t *testing.T, machine string, day health.Day) health.State {
	monthFirst, _ := monthOf(day)
	g := r.months[monthFirst]
	if g == nil {
		var err error
		g, err = look(r.reader, cut{asOf: monthFirst.Start()})
		require.NoError(t, err)
		if r.months == nil {
			r.months = map[health.Day]*generation{}
		}
		r.months[monthFirst] = g
	}
	then, err := g.at(day.End())
	require.NoError(t, err)
	all, err := then.assess(machine)
	require.NoError(t, err)
	require.Len(t, all, 1, "%s on %d", machine, day)
	return health.StateOf(all[0].State)
}

// The state of every past day is what a replay says of its end: of 4 machines on 30 days in
// two months, with a setup between. A state that stays because nothing was recorded is
// asked of the replay, too.
func TestDaysAreWhatAReplaySays(t *testing.T) {
	y := newYard(t, evening)
	before, today := story(t)
	setup := drift.Record{Type: drift.TypeSetup, Time: first.AddDate(0, 0, 12), Setup: &drift.Setup{Scope: drift.ScopeFleet, DailyCheck: drift.Some(int64(3))}}
	y.take(t, append(append(before, today...), setup)...)
	b := counted(t, y.Fleet)
	require.Equal(t, health.DayOf(evening), b.Until)
	assert.LessOrEqual(t, b.Stated, health.DayOf(first))
	require.Len(t, b.Machines, 4)
	states, told := map[health.State]int{}, 0
	replay := replays{reader: y.store}
	for _, m := range b.Machines {
		for _, r := range m.Rows {
			switch {
			case r.Day == b.Until:
				assert.Contains(t, []health.State{health.None, health.Pending}, r.State, "today has not ended")
			case r.State != health.None:
				assert.Equal(t, replay.state(t, m.Name, r.Day), r.State, "%s on %s", m.Name, r.Day.Start())
				states[r.State]++
				told++
			}
		}
	}
	assert.Greater(t, told, 4*(days-3))
	assert.Greater(t, len(states), 2, "a test of one state shows little")
}

// A record that comes late changes the days from it on, and no day before.
func TestALateRecordChangesTheDaysAfterIt(t *testing.T) {
	y := newYard(t, evening)
	before, today := story(t)
	y.take(t, append(before, today...)...)
	was := counted(t, y.Fleet)
	name, late := was.Machines[0].Name, first.AddDate(0, 0, 20).Add(9*time.Hour)
	service := drift.Record{Type: drift.TypeService, Machine: name, Time: late, Service: &drift.Service{Action: drift.Cleaned, Finding: drift.Dirty}}
	y.take(t, service)
	now := counted(t, y.Fleet)
	require.Greater(t, now.Version, was.Version)
	day, differ := health.DayOf(late), 0
	sum := func(b *health.Book, from, to health.Day) health.Counts {
		return b.Count(health.Query{From: from, To: to, Only: health.Labels{Machine: name}})[0].Total
	}
	assert.Equal(t, sum(was, health.DayOf(first), day-1), sum(now, health.DayOf(first), day-1))
	assert.Equal(t, sum(was, day, day).Services+1, sum(now, day, day).Services)
	replay := replays{reader: y.store}
	for i, r := range now.Machines[0].Rows {
		if i < len(was.Machines[0].Rows) && r.Day >= day && r.State != was.Machines[0].Rows[i].State {
			differ++
		}
		if r.Day < now.Until && r.State != health.None {
			assert.Equal(t, replay.state(t, name, r.Day), r.State, "%s", r.Day.Start())
		}
	}
	assert.Positive(t, differ, "after electrode work the machine is to be checked first")
}

// What is computed is kept over a restart, and the rest is computed again: the book is the
// same as without a cache.
func TestDaysAreKept(t *testing.T) {
	k := newKeeper(t, evening)
	before, today := story(t)
	k.take(t, before...)
	counted(t, k.Fleet)
	k.restart(t, true)
	reads := k.cache.whole.Load()
	kept := k.keptDays(k.generation.Load())
	assert.Len(t, kept, 4)
	assert.Equal(t, reads, k.cache.whole.Load(), "no history is read for it")
	k.take(t, today...)
	b := counted(t, k.Fleet)

	y := newYard(t, evening)
	y.take(t, append(before, today...)...)
	want := counted(t, y.Fleet)
	assert.Equal(t, want.Machines, b.Machines)

	k.now = k.now.AddDate(0, 0, 1) // and a day goes by without a record
	require.NoError(t, k.catchUp(t.Context()))
	b = counted(t, k.Fleet)
	assert.Equal(t, health.DayOf(k.now), b.Until)
	assert.LessOrEqual(t, b.Stated, health.DayOf(first))

	machine, of := MachineOf(dayName("K-07"))
	assert.True(t, of)
	assert.Equal(t, "K-07", machine)
	assert.False(t, IsMachine(dayName("K-07")))

	k.build = "another"
	k.restart(t, true)
	assert.Empty(t, k.keptDays(k.generation.Load()), "another build may compute something else")
}

// A retired machine has no state from the day of its retiring on, and a reader that fails
// loses no entry.
func TestDaysOfARetiredMachine(t *testing.T) {
	y := newYard(t, evening)
	before, today := story(t)
	y.take(t, append(before, today...)...)
	was := counted(t, y.Fleet)
	name, at := was.Machines[0].Name, first.AddDate(0, 0, 25)
	y.send(t, drift.Record{Type: drift.TypeSetup, Machine: name, Time: at, Setup: &drift.Setup{Scope: drift.ScopeMachine, Retired: drift.Some(true)}})
	require.NoError(t, y.catchUp())
	y.store.fail = errors.New("the disk does not answer")
	y.days.next = time.Time{}
	_, err := y.dayStep(t.Context(), y.generation.Load(), y.now)
	require.Error(t, err)
	y.store.fail = nil
	b := counted(t, y.Fleet)
	total := func(day health.Day) *health.Counts {
		return &b.Count(health.Query{From: day, To: day})[0].Total
	}
	assert.Equal(t, 4, total(health.DayOf(at)-1).Machines())
	assert.Equal(t, 3, total(health.DayOf(at)).Machines())
}

// Where the records' clock runs faster than time, as in the demo, the rests between the
// steps stay those of the time that the work takes.
func TestDaysRestInRealTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		y := newYard(t, evening)
		before, today := story(t)
		y.take(t, append(before, today...)...)
		readings := 0
		y.Fleet.now = func() time.Time {
			readings++
			return evening.Add(time.Duration(readings) * time.Second)
		}
		ctx, stop := context.WithCancel(t.Context())
		began, done := time.Now(), make(chan struct{})
		go func() {
			defer close(done)
			y.countDays(ctx)
		}()
		for y.Days().Until == 0 || y.Days().Stated > health.DayOf(first) {
			require.Less(t, time.Since(began), 10*time.Second, "computed back to %s", y.Days().Stated.Start())
			time.Sleep(time.Millisecond)
		}
		stop()
		<-done
	})
}

// BenchmarkDays: the states of one machine of which 1,000 calibrations in a year are
// recorded, in milliseconds a day, learning apart.
func BenchmarkDays(b *testing.B) {
	y := &yard{now: evening}
	var told []drift.Record
	for i := range 1000 {
		told = append(told, calibration("K-07", evening.Add(time.Duration(i-1000)*8*time.Hour)))
	}
	y.Fleet = New(NewRecords(told), func() time.Time { return evening }, slog.New(slog.DiscardHandler))
	require.NoError(b, y.start(b.Context()))
	g := y.generation.Load()
	m, _, err := g.count("K-07", health.DayOf(evening))
	require.NoError(b, err)
	mo, err := g.readMonth(b.Context(), health.DayOf(evening)-5, health.DayOf(evening), nil)
	require.NoError(b, err)
	for b.Loop() {
		_, err := mo.stated("K-07", m)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N*len(mo.ends)), "ms/day")
}
