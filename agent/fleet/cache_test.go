package fleet

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/drifttest"
	"arcdrift/drift/model"
	"arcdrift/drift/synth"
)

// countedCache is a store that counts how often it was read from the start.
type countedCache struct {
	*store.Store
	whole, wrote atomic.Int64
}

func (s *countedCache) After(machine string, link []byte) ([]drift.Entry, []byte, error) {
	if link == nil {
		s.whole.Add(1)
	}
	return s.Store.After(machine, link)
}

func (s *countedCache) PutCached(values map[string][]byte) error {
	for _, v := range values {
		s.wrote.Add(int64(len(v)))
	}
	return s.Store.PutCached(values)
}

// keeper is a fleet over a store in a file that may be left and come back to.
type keeper struct {
	*Fleet
	path  string
	cache *countedCache
	now   time.Time
	build string
}

func newKeeper(t testing.TB, now time.Time) *keeper {
	k := &keeper{path: filepath.Join(t.TempDir(), "arcdrift.db"), now: now, build: "one"}
	k.open(t)
	require.NoError(t, k.start(t.Context()))
	t.Cleanup(func() { require.NoError(t, k.cache.Close()) })
	return k
}

func (k *keeper) clock() time.Time { return k.now }

func (k *keeper) open(t testing.TB) {
	s, err := store.Open(k.path, k.clock, store.Options{})
	require.NoError(t, err)
	k.cache = &countedCache{Store: s}
	k.Fleet = New(storeBook{s}, k.clock, slog.New(slog.DiscardHandler))
	k.UseCache(k.cache, func() (string, error) { return k.build, nil })
}

// restart leaves in good order, or like a cut of power, and comes back.
func (k *keeper) restart(t *testing.T, inOrder bool) {
	if inOrder {
		k.keep(k.generation.Load())
	}
	require.NoError(t, k.cache.Close())
	k.open(t)
	require.NoError(t, k.start(t.Context()))
}

// take keeps records and lets the fleet catch up.
func (k *keeper) take(t testing.TB, records ...drift.Record) {
	k.append(t, records...)
	require.NoError(t, k.catchUp(t.Context()))
}

// append keeps records and announces those that are new.
func (k *keeper) append(t testing.TB, records ...drift.Record) {
	entries := make([]drift.Entry, len(records))
	for i, r := range records {
		if r.ID == "" {
			r.ID = r.Identity()
		}
		entries[i] = drift.Entry{Record: r, Received: k.now, Via: "import"}
	}
	placed, err := k.cache.Append(entries, nil)
	require.NoError(t, err)
	var fresh []drift.Entry
	for i, p := range placed {
		if !p.Duplicate && !p.Conflict {
			fresh = append(fresh, entries[i])
		}
	}
	k.Announce(fresh)
}

// same holds the answers against those made anew from the records alone, once
// what was to be learnt anew has been.
func (k *keeper) same(t *testing.T, what string) {
	t.Helper()
	for k.relearn {
		k.now = k.now.Add(mostRest)
		require.NoError(t, k.catchUp(t.Context()))
	}
	require.NoError(t, k.catchUp(t.Context()))
	w, err := look(storeBook{k.cache.Store}, cut{asOf: k.now})
	require.NoError(t, err)
	members, err := w.members(w.names)
	require.NoError(t, err)
	anew := newSnapshot(k.now).next(w, slices.Values(members))
	require.Equal(t, anew.Assessments(), k.Snapshot().Assessments(), what)
	for _, a := range anew.Assessments() {
		require.Equal(t, anew.About(a.Machine), k.Snapshot().About(a.Machine), what)
		q := advise.Move{Machine: a.Machine, Temperature: drift.Some(5.0), Humidity: drift.Some(60.0), Altitude: drift.Some(900.0)}
		got, err := k.Move(q)
		require.NoError(t, err)
		q.AsOf = k.now
		want, err := w.move(q)
		require.NoError(t, err)
		require.Equal(t, want, got, what)
	}
}

// past is what a small fleet has told up to now, few enough that learning is
// quick.
func past(t *testing.T, now time.Time) (before, today []drift.Record) {
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	const days = 6
	for _, r := range synth.Make(w, 5, 2, learntAt(now).AddDate(0, 0, 1-days), days).Records {
		switch {
		case r.Time.After(now):
		case r.Time.After(learntAt(now)):
			today = append(today, r)
		default:
			before = append(before, r)
		}
	}
	require.NotEmpty(t, today)
	return before, today
}

// Whatever comes, in whatever order, and however often the agent is left in
// good order or not: the answers are those of the records alone, bit for bit.
func TestWhatIsKeptChangesNoAnswer(t *testing.T) {
	for seed := range uint64(faulttest.Rounds(t, 1)) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			before, today := past(t, evening)
			k := newKeeper(t, evening)
			k.take(t, before...)
			s := &scribe{rng: rand.New(rand.NewPCG(seed, 7)), told: before, left: today}
			s.told = slices.DeleteFunc(s.told, func(r drift.Record) bool { return r.Type == drift.TypeSetup })
			for n := range 12 {
				what := s.step(t, k)
				k.same(t, fmt.Sprintf("step %d: %s", n, what))
				if n%4 == 3 {
					inOrder := s.rng.IntN(2) == 0
					k.restart(t, inOrder)
					k.same(t, fmt.Sprintf("restart after step %d, in order: %v", n, inOrder))
				}
			}
		})
	}
}

// scribe invents what comes next.
type scribe struct {
	rng        *rand.Rand
	told, left []drift.Record
	n          int
}

func (s *scribe) any() drift.Record { return s.told[s.rng.IntN(len(s.told))] }

// attempt is one more of a machine.
func (s *scribe) attempt(machine string, at time.Time) drift.Record {
	s.n++
	r := calibration(machine, at)
	r.ID = fmt.Sprint("new-", s.n)
	r.ArcCount = drift.Some(int64(9000 + s.n))
	r.Calibration.Passed = drift.Some(s.rng.IntN(3) > 0)
	return r
}

func (s *scribe) step(t *testing.T, k *keeper) string {
	earlier := func() time.Time { return k.now.Add(-time.Duration(1+s.rng.IntN(3*24*60)) * time.Minute) }
	old := s.any()
	r := s.attempt(old.Machine, k.now)
	r.Model = old.Model
	what := ""
	switch s.rng.IntN(14) {
	case 0, 1, 2:
		what = "next"
	case 3:
		what, r.Time = "late", earlier()
	case 4:
		what, r = "repeated", old
	case 5:
		what, r = "corrected", drift.Record{Type: drift.TypeCorrection, Machine: old.Machine, Time: k.now,
			Correction: &drift.Correction{Corrects: old.ID, Reason: "slip", Changes: []drift.Change{{Field: "time", Value: old.Time.Add(-time.Hour)}}}}
	case 6:
		what = "corrected before it came"
		k.take(t, drift.Record{Type: drift.TypeCorrection, Machine: r.Machine, Time: k.now.Add(-time.Minute),
			Correction: &drift.Correction{Corrects: r.ID, Reason: "slip", Changes: []drift.Change{{Field: "meltback_left_um", Value: 240.0}}}})
	case 7:
		what, r = "set up", drift.Record{Type: drift.TypeSetup, Machine: old.Machine, Time: k.now,
			Setup: &drift.Setup{Scope: drift.ScopeMachine, AttemptLimit: drift.Some(int64(2 + s.rng.IntN(4))), Zone: "Europe/Oslo"}}
	case 8:
		what, r = "serviced", drift.Record{Type: drift.TypeService, Machine: old.Machine, Time: k.now,
			Service: &drift.Service{Action: []drift.Action{drift.Cleaned, drift.Replaced, drift.Inspected}[s.rng.IntN(3)]}}
	case 9:
		what, r.Program = "another program", "other"
	case 10:
		what, r.Time = "a clock ahead", k.now.Add(time.Duration(1+s.rng.IntN(20))*time.Minute)
	case 11:
		what, r.Machine = "a new machine", fmt.Sprint("N-", s.n)
	case 12:
		what, r.Source, r.Seq = "numbered", "van", drift.Some(int64(s.n))
	case 13:
		what = "midnight"
		k.now = k.now.AddDate(0, 0, 1)
	}
	k.take(t, r)
	if r.Type == drift.TypeCalibration {
		s.told = append(s.told, r)
	}
	if len(s.left) > 0 {
		k.take(t, s.left[0])
		s.left = s.left[1:]
	}
	k.now = k.now.Add(time.Duration(s.rng.IntN(90)) * time.Minute)
	return what
}

// A new record, and a start, read no history again; the start writes nothing.
func TestAHistoryIsReadOnce(t *testing.T) {
	before, today := past(t, evening)
	k := newKeeper(t, evening)
	k.take(t, before...)
	k.same(t, "at first")
	reads := k.cache.whole.Load()
	for _, r := range today {
		k.take(t, r)
	}
	assert.Equal(t, reads, k.cache.whole.Load(), "new records")
	for _, inOrder := range []bool{true, false} {
		k.restart(t, inOrder)
		assert.False(t, k.relearn)
		assert.Len(t, k.Snapshot().Assessments(), 2)
		assert.Zero(t, k.cache.whole.Load(), "a start in order: %v", inOrder)
		assert.Zero(t, k.cache.wrote.Load())
		k.take(t, calibration(before[0].Machine, k.now))
		assert.Zero(t, k.cache.whole.Load())
		k.same(t, "after the start")
		k.now = k.now.Add(time.Minute)
	}
}

// Records that had counted do not while the clock is behind them.
func TestAClockSetBack(t *testing.T) {
	before, today := past(t, evening)
	k := newKeeper(t, evening)
	k.take(t, append(before, today...)...)
	k.same(t, "at first")
	k.keep(k.generation.Load())
	k.now = learntAt(evening).Add(time.Minute)
	k.restart(t, false)
	k.same(t, "early on the same day")
	k.now = evening.Add(time.Hour)
	k.restart(t, false)
	k.same(t, "set right")
}

// The cache is written after learning and once an hour, not
// with every record.
func TestKeepingIsRare(t *testing.T) {
	before, today := past(t, evening)
	k := newKeeper(t, evening)
	k.take(t, before...)
	ctx, stop := context.WithCancel(t.Context())
	due := func() bool { return k.checkpoints.due(k.generation.Load(), k.now) }
	require.True(t, due(), "never kept")
	k.keep(k.generation.Load())
	for _, r := range today {
		k.take(t, r)
	}
	assert.False(t, due())
	k.now = k.now.Add(keepEvery)
	assert.True(t, due())
	was := k.cache.wrote.Load()
	stop()
	require.NoError(t, k.Run(ctx), "it keeps as it ends")
	assert.Greater(t, k.cache.wrote.Load(), was)
	assert.False(t, due())
	t.Logf("kept of a machine: %d bytes", (k.cache.wrote.Load()-was)/2)
}

// Control: what is kept and does not belong to these records, this program, or
// is spoilt, is noticed, and all is right in the end.
func TestWhatDoesNotFitIsNotUsed(t *testing.T) {
	renote := func(t *testing.T, k *keeper, change func(n *checkpoint)) {
		edit(t, k, func(name string, raw []byte) []byte {
			if name == priorName {
				return raw
			}
			n, known := readCheckpoint(raw, name, k.checkpoints.id)
			require.True(t, known)
			s, err := n.resume(k.generation.Load().pop)
			require.NoError(t, err)
			n.State = s
			change(&n)
			w := n.Answer.Pending(advise.Rules{}, time.UTC)
			out, err := (&life{foldState: n.State}).checkpoint(n.Populations, &w)
			require.NoError(t, err)
			return out
		})
	}
	for name, spoil := range map[string]func(*testing.T, *keeper){
		"another program": func(_ *testing.T, k *keeper) { k.build = "two" },
		"another chain":   func(t *testing.T, k *keeper) { renote(t, k, func(n *checkpoint) { n.State.Link[40] ^= 1 }) },
		"other populations": func(t *testing.T, k *keeper) {
			renote(t, k, func(n *checkpoint) { n.Populations = "0" + n.Populations[1:] + "0" })
		},
		"another number of records": func(t *testing.T, k *keeper) { renote(t, k, func(n *checkpoint) { n.State.Old++ }) },
		"cut short": func(t *testing.T, k *keeper) {
			edit(t, k, func(_ string, raw []byte) []byte { return raw[:len(raw)/2] })
		},
		"gone": func(t *testing.T, k *keeper) { edit(t, k, func(string, []byte) []byte { return nil }) },
	} {
		t.Run(name, func(t *testing.T) {
			before, _ := past(t, evening)
			k := newKeeper(t, evening)
			k.take(t, before...)
			k.keep(k.generation.Load())
			spoil(t, k)
			k.restart(t, false)
			assert.True(t, k.cache.whole.Load() > 0 || k.relearn, "it was not noticed")
			k.same(t, name)
		})
	}
	// And the control of the control: an answer that was changed, and fits in all
	// else, is given, so that what the tests above compare is what was kept.
	before, _ := past(t, evening)
	k := newKeeper(t, evening)
	k.take(t, before...)
	k.keep(k.generation.Load())
	renote(t, k, func(n *checkpoint) { n.Answer.Pair = "forged" })
	k.restart(t, false)
	assert.Contains(t, k.Snapshot().Assessments()[0].Reasons, "forged")
}

// edit changes the values in the cache.
func edit(t *testing.T, k *keeper, change func(name string, raw []byte) []byte) {
	t.Helper()
	values := map[string][]byte{}
	names, err := k.cache.Machines()
	require.NoError(t, err)
	for _, name := range append(names, priorName) {
		raw, err := k.cache.Cached(name)
		require.NoError(t, err)
		require.NotNil(t, raw, name)
		values[name] = change(name, raw)
	}
	require.NoError(t, k.cache.PutCached(values))
}

func TestACheckpointForgetsNothing(t *testing.T) {
	prior := model.Prior()
	l := &life{}
	drifttest.Fill(&l.foldState, "foldState.reader", "foldState.known")
	l.known = model.NewMachine(l.name, &prior)
	var weighed advise.PendingAssessment
	drifttest.Fill(&weighed, "PendingAssessment.zone", "PendingAssessment.rules")
	raw, err := l.checkpoint("these", &weighed)
	require.NoError(t, err)
	n, known := readCheckpoint(raw, l.name, "these")
	require.True(t, known)
	was := l.foldState
	was.reader, was.known = model.Reader{}, nil
	assert.Equal(t, was, n.State)
	assert.Equal(t, weighed, n.Answer.Pending(advise.Rules{}, nil))
	_, known = readCheckpoint(raw, l.name, "others")
	assert.False(t, known)
}

// Whatever the records of a machine are, in whatever parts: a checkpoint made on the way and
// continued is, byte for byte, the one of all records at once.
func TestACheckpointContinuedIsThatOfTheWhole(t *testing.T) {
	var nobody model.Sample
	pop := nobody.Learn()
	rapid.Check(t, func(t *rapid.T) {
		entries := drifttest.Lives(first).Draw(t, "entries")
		var setups drift.Setups
		noted := func(l *life) []byte {
			weighed := advise.Prepare(fold(l, pop, 0, &zones{}))
			raw, err := l.checkpoint("these", &weighed)
			require.NoError(t, err)
			return raw
		}
		var raw []byte
		for from := 0; from < len(entries); {
			to := rapid.IntRange(min(from+5, len(entries)), len(entries)).Draw(t, "to")
			all := slices.Clone(entries[:to])
			want := noted(understand("K-07", all, &setups))
			if n, known := readCheckpoint(raw, "K-07", "these"); known {
				s, err := n.resume(pop)
				require.NoError(t, err)
				if l := s.goOn(slices.Clone(entries[from:to]), &setups); l != nil {
					require.True(t, bytes.Equal(want, noted(l)), "entries %d to %d", from, to)
				}
			}
			raw, from = want, to
		}
	})
}

// BenchmarkNewRecord: a machine's new record, from announcement to answer, with a
// short history and a long one.
func BenchmarkNewRecord(b *testing.B) {
	for _, n := range []int{300, 10_000} {
		b.Run(fmt.Sprintf("history=%d", n), func(b *testing.B) {
			k := newKeeper(b, evening)
			var told []drift.Record
			for i := range n {
				told = append(told, calibration("K-07", first.Add(time.Duration(i)*time.Minute)))
			}
			k.take(b, told...)
			for k.relearn {
				k.now = k.now.Add(mostRest)
				require.NoError(b, k.catchUp(b.Context()))
			}
			for b.Loop() {
				b.StopTimer()
				k.now = k.now.Add(time.Second)
				k.append(b, calibration("K-07", k.now))
				b.StartTimer()
				require.NoError(b, k.catchUp(b.Context()))
			}
		})
	}
}

func TestAProgramWithoutANameKeepsNothing(t *testing.T) {
	before, _ := past(t, evening)
	k := newKeeper(t, evening)
	k.take(t, before...)
	k.keep(k.generation.Load())
	require.NoError(t, k.cache.Close())
	k.open(t)
	k.UseCache(k.cache, func() (string, error) { return "", errors.New("no such file") })
	require.NoError(t, k.start(t.Context()))
	k.same(t, "all made anew")
	k.keep(k.generation.Load())
	assert.Zero(t, k.cache.wrote.Load())
}
