package agent_test

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
	"arcdrift/agent/fleet"
	"arcdrift/agent/intake"
	"arcdrift/agent/store"
	"arcdrift/drift"
	"arcdrift/drift/synth"
)

// growths are the fleets that growth is measured with, machines × records each.
// The last takes minutes to be made: ask for it by its name.
var growths = []struct{ machines, records int }{{100, 300}, {1000, 300}, {10_000, 100}}

// recordsPerDay is what a machine of the artificial fleet tells a day, about.
const recordsPerDay = 1.35

// grown makes a store of an artificial fleet that has just ended its day.
func grown(b *testing.B, machines, records int) (s *store.Store, now time.Time) {
	b.Helper()
	world, ok := synth.WorldNamed("straight")
	require.True(b, ok)
	start, days := agenttest.Now.Truncate(24*time.Hour), int(float64(records)/recordsPerDay)
	now = start.AddDate(0, 0, days).Add(22 * time.Hour)
	s, err := store.Open(filepath.Join(b.TempDir(), "arcdrift.db"), func() time.Time { return now }, store.Options{})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, s.Close()) })
	door := intake.New(s, func() time.Time { return now }, func([]drift.Entry) {})
	ctx, stop := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- door.Run(ctx) }()
	defer func() { stop(); require.NoError(b, <-ended) }()
	var offers []intake.Submission
	for _, r := range synth.Make(world, 1, machines, start, days).Records {
		if offers = append(offers, intake.Submission{Record: r, Via: "import"}); len(offers) == 4096 {
			_, err := door.Take(ctx, offers)
			require.NoError(b, err)
			offers = offers[:0]
		}
	}
	_, err = door.Take(ctx, offers)
	require.NoError(b, err)
	return s, now
}

// BenchmarkFleet: from an opened store to every machine's answer, with the
// populations learnt and all forecasts made anew (start, with the memory kept for
// a machine and the processor time); all machines answered from what is kept
// (assess).
func BenchmarkFleet(b *testing.B) {
	for _, g := range growths {
		b.Run(fmt.Sprintf("machines=%d/records=%d", g.machines, g.records), func(b *testing.B) {
			s, now := grown(b, g.machines, g.records)
			stats, err := s.Stats()
			require.NoError(b, err)
			b.Run("start", func(b *testing.B) {
				busy := cpu(b)
				var f *fleet.Fleet
				for b.Loop() {
					f = started(b, s, now)
				}
				b.ReportMetric((cpu(b)-busy).Seconds()/float64(b.N), "cpu-s/op")
				b.ReportMetric(float64(stats.Entries)*float64(b.N)/b.Elapsed().Seconds(), "records/s")
				with := heap()
				runtime.KeepAlive(f)
				b.ReportMetric(float64(with-heap())/float64(g.machines), "B/machine")
			})
			b.Run("assess", func(b *testing.B) {
				f := started(b, s, now)
				b.ResetTimer()
				for b.Loop() {
					all, err := f.AssessAt("", drift.Opt[time.Time]{}, drift.Opt[time.Time]{})
					require.NoError(b, err)
					require.Equal(b, g.machines, len(all))
				}
			})
		})
	}
}

// started runs a fleet until every machine has its answer.
func started(b *testing.B, s *store.Store, now time.Time) *fleet.Fleet {
	f := fleet.New(store.NewReader(s, func(string) {}), func() time.Time { return now }, slog.New(slog.DiscardHandler))
	ctx, stop := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	for f.Ready() != nil {
		time.Sleep(time.Millisecond)
	}
	stop()
	require.NoError(b, <-ended)
	return f
}

// heap is what is in use; the second collection empties pools.
func heap() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// cpu is the processor time that this process has used.
func cpu(b *testing.B) time.Duration {
	var used syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &used))
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// BenchmarkQuestion: one question to a store that no agent holds, as a command
// asks it: the first of the day, which learns, and the next; of 60 machines with
// 400, 4,000 and 16,000 records each.
func BenchmarkQuestion(b *testing.B) {
	for _, records := range []int{400, 4000, 16_000} {
		b.Run(fmt.Sprintf("machines=60/records=%d", records), func(b *testing.B) {
			s, now := grown(b, 60, records)
			ask := func(b *testing.B, build, machine string) {
				a := fleet.NewKeptAnswers(store.NewReader(s, func(string) {}), build, func() time.Time { return now })
				all, err := a.AssessAt(machine, drift.Opt[time.Time]{}, drift.Opt[time.Time]{})
				require.NoError(b, err)
				require.NotEmpty(b, all)
				require.NoError(b, a.Keep())
			}
			names, err := s.Machines()
			require.NoError(b, err)
			for _, who := range []struct{ name, machine string }{{"one", names[0]}, {"all", ""}} {
				builds := 0
				b.Run(who.name+"/first", func(b *testing.B) {
					for b.Loop() {
						builds++
						ask(b, fmt.Sprint(who.name, builds), who.machine)
					}
				})
				b.Run(who.name+"/next", func(b *testing.B) {
					for b.Loop() {
						ask(b, fmt.Sprint(who.name, builds), who.machine)
					}
				})
			}
		})
	}
}
