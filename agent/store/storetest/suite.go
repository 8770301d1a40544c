// Package storetest holds what every store must do, as one suite of tests, and
// a store in memory that passes it.
package storetest

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// Received is when the suite's entries arrive.
func Received() time.Time { return time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) }

// Calibration is a passed attempt of a machine after so many arcs; equal
// arguments make equal entries with equal ids.
func Calibration(machine string, arcs int) drift.Entry {
	return entry(drift.Record{
		Type: drift.TypeCalibration, Machine: machine, Model: "type-1",
		Time:     time.Date(2026, 3, 1, 6, 0, 0, 0, time.FixedZone("", 3600)).Add(time.Duration(arcs) * time.Minute),
		ArcCount: drift.Some(int64(arcs)),
		Calibration: &drift.Calibration{
			Passed: drift.Some(true), MeltbackLeft: drift.Some(251.5), MeltbackRight: drift.Some(249.25),
			Target: drift.Some(250.0), Tolerance: drift.Some(10.0), PowerSetting: drift.Some(1.5), PowerCorrection: drift.Some(0.0),
			Temperature: drift.Some(11.5), Humidity: drift.Some(71.0), Altitude: drift.Some(420.0),
		},
	})
}

func entry(r drift.Record) drift.Entry {
	if r.ID == "" {
		r.ID = r.Identity()
	}
	return drift.Entry{Record: r, Received: Received(), Via: "import", Account: "van-4/ines"}
}

// Run runs the suite. open makes an empty store, closed by the test's cleanup. Its
// clock is [Received].
func Run(t *testing.T, open func(t *testing.T) Store) {
	for name, test := range map[string]func(*testing.T, Store){
		"history reads in order of taking": history,
		"what is kept reads as it came":    roundTrip,
		"a repeat changes nothing":         repeat,
		"another body is a conflict":       conflict,
		"another person is a conflict":     anotherPerson,
		"setups of every scope":            setups,
		"since":                            since,
		"refusals":                         refusals,
		"counters":                         counters,
		"latest":                           latest,
		"writers at once":                  writersAtOnce,
		"decisions are kept":               decisionsAreKept,
		"items leave in order":             itemsLeaveInOrder,
		"an item is put once":              anItemIsPutOnce,
		"an item is replaced in place":     anItemIsReplacedInItsPlace,
		"the cache":                        cache,
		"after a link":                     afterALink,
		"cursors":                          cursors,
		"refusals since a change":          refusalsSince,
		"people have pseudonyms":           peopleHavePseudonyms,
		"a person is forgotten":            aPersonIsForgotten,
		"pseudonyms are learnt":            pseudonymsAreLearnt,
		"proofs":                           proofs,
		"digests":                          func(t *testing.T, s Store) { digests(t, s, open(t)) },
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t)
			test(t, s)
			Invariants(t, s)
		})
	}
}

// Invariants must hold of any store at any time: every entry is found under
// its id, is in its machine's history or among the conflicts, once, and the
// counts say so.
func Invariants(t *testing.T, s Store) {
	t.Helper()
	stats, err := s.Stats()
	require.NoError(t, err)
	all, err := s.Since(0, 0, 0)
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(all), int(stats.Entries-stats.Compacted), "entries in order of taking")
	require.LessOrEqual(t, len(all), int(stats.Entries))
	conflicts, err := s.Conflicts()
	require.NoError(t, err)
	require.Len(t, conflicts, int(stats.Conflicts), "conflicts")
	inHistories := 0
	machines, err := s.Machines()
	require.NoError(t, err)
	require.Len(t, machines, stats.Machines)
	for _, m := range append(machines, "") {
		h, err := s.History(m)
		require.NoError(t, err)
		inHistories += len(h)
		for i := range h {
			require.Equal(t, m, h[i].Machine)
			if i > 0 {
				require.Greater(t, h[i].StoreSeq, h[i-1].StoreSeq, "history of %s", m)
			}
			first, found, err := s.Find(m, h[i].ID)
			require.NoError(t, err)
			require.True(t, found)
			require.Equal(t, h[i], first, "the entry under its id")
		}
	}
	require.Equal(t, int(stats.Entries), inHistories+len(conflicts), "every entry stands in one history or among the conflicts")
	seen := map[string]bool{}
	for _, e := range all {
		body := e.ID + e.NamedIdentity()
		require.False(t, seen[body], "%s is kept twice", e.ID)
		seen[body] = true
	}
	if v, ok := s.(interface{ Verify() (store.Report, error) }); ok {
		report, err := v.Verify()
		require.NoError(t, err)
		require.Nil(t, report.First)
		require.Equal(t, stats.Entries, report.Entries)
	}
}

func keep(t *testing.T, s Store, entries ...drift.Entry) []drift.Placement {
	t.Helper()
	placed, err := s.Append(entries, nil)
	require.NoError(t, err)
	require.Len(t, placed, len(entries))
	return placed
}

func history(t *testing.T, s Store) {
	// K-1 and K-10: one name must not read into the other's history.
	for arcs := range 30 {
		keep(t, s, Calibration("K-10", 100-arcs), Calibration("K-1", arcs))
	}
	names, err := s.Machines()
	require.NoError(t, err)
	require.Equal(t, []string{"K-1", "K-10"}, names)
	for i, m := range names {
		h, err := s.History(m)
		require.NoError(t, err)
		require.Len(t, h, 30)
		for n, e := range h {
			arcs, _ := e.ArcCount.Get()
			want := []int{n, 100 - n}[i]
			require.EqualValues(t, want, arcs, "%s, entry %d: the order is that of taking, not of time", m, n)
		}
	}
	h, err := s.History("K")
	require.NoError(t, err)
	require.Empty(t, h)
}

func roundTrip(t *testing.T, s Store) {
	in := []drift.Entry{
		Calibration("K-07", 1840),
		entry(drift.Record{Type: drift.TypeService, Machine: "K-07", Time: Received(), Operator: "Åse",
			Service: &drift.Service{Action: drift.Replaced, Pair: "lot 9", Finding: drift.Worn}, Extra: []byte(`{"bench":2}`)}),
		entry(drift.Record{Type: drift.TypeUsage, Machine: "K-07", Source: "van-3", Epoch: drift.Some(int64(2)), Seq: drift.Some(int64(17)), ArcCount: drift.Some(int64(9))}),
		entry(drift.Record{Type: drift.TypeSplice, Machine: "K-07", Time: Received(), Splice: &drift.Splice{Count: drift.Some(int64(12)), Loss: drift.Some(0.04), Job: "north ring"}}),
		entry(drift.Record{Type: drift.TypeCorrection, Machine: "K-07", Time: Received(),
			Correction: &drift.Correction{Corrects: "x", Reason: "typed wrong", Changes: []drift.Change{{Field: "site", Value: nil}, {Field: "humidity_pct", Value: 44.0}}}}),
	}
	in[2].PossibleRepeat = true
	placed := keep(t, s, in...)
	out, err := s.History("K-07")
	require.NoError(t, err)
	require.Len(t, out, len(in))
	for i := range in {
		assert.Equal(t, string(in[i].AppendCanonical(nil)), string(out[i].AppendCanonical(nil)))
		assert.True(t, in[i].Received.Equal(out[i].Received))
		assert.Equal(t, []string{"import", "van-4/ines"}, []string{out[i].Via, out[i].Account})
		assert.Equal(t, i == 2, out[i].PossibleRepeat)
		assert.Equal(t, placed[i], drift.Placement{Epoch: out[i].StoreEpoch, Seq: out[i].StoreSeq})
	}
}

func repeat(t *testing.T, s Store) {
	first := keep(t, s, Calibration("K-07", 1), Calibration("K-07", 2))
	// The same in another zone is the same.
	moved := Calibration("K-07", 1)
	moved.Time = moved.Time.UTC()
	again := keep(t, s, Calibration("K-07", 2), moved, Calibration("K-07", 3), Calibration("K-07", 3))
	assert.Equal(t, drift.Placement{Epoch: first[1].Epoch, Seq: first[1].Seq, Duplicate: true}, again[0])
	assert.Equal(t, drift.Placement{Epoch: first[0].Epoch, Seq: first[0].Seq, Duplicate: true}, again[1])
	assert.False(t, again[2].Duplicate)
	assert.Equal(t, drift.Placement{Epoch: again[2].Epoch, Seq: again[2].Seq, Duplicate: true}, again[3], "a repeat within one batch")
	h, err := s.History("K-07")
	require.NoError(t, err)
	assert.Len(t, h, 3)
}

func conflict(t *testing.T, s Store) {
	a, b, c := Calibration("K-07", 1), Calibration("K-07", 2), Calibration("K-08", 1)
	b.ID, c.ID = a.ID, a.ID
	placed := keep(t, s, a, b, c, b)
	assert.False(t, placed[0].Conflict)
	assert.True(t, placed[1].Conflict)
	assert.False(t, placed[2].Conflict, "a sender for another machine cannot claim the id")
	assert.Equal(t, drift.Placement{Epoch: placed[1].Epoch, Seq: placed[1].Seq, Duplicate: true, Conflict: true}, placed[3])
	h, err := s.History("K-07")
	require.NoError(t, err)
	require.Len(t, h, 1, "the model reads what came first")
	assert.Equal(t, placed[0].Seq, h[0].StoreSeq)
	kept, err := s.Conflicts()
	require.NoError(t, err)
	require.Len(t, kept, 1)
	assert.Equal(t, b.Identity(), kept[0].Identity())
	for _, want := range []drift.Entry{a, c} {
		got, found, err := s.Find(want.Machine, a.ID)
		require.NoError(t, err)
		require.True(t, found)
		assert.Equal(t, want.Identity(), got.Identity(), "each machine's own")
	}
	_, found, err := s.Find("K-09", a.ID)
	require.NoError(t, err)
	assert.False(t, found)
}

// anotherPerson: the name is no part of an id, but two names are a conflict.
func anotherPerson(t *testing.T, s Store) {
	ada := Calibration("K-07", 1)
	ada.Operator = "Ada Ruiz"
	jo := ada
	jo.Operator = "Jo Lund"
	nobody := Calibration("K-07", 1)
	require.Equal(t, ada.ID, nobody.ID)
	placed := keep(t, s, ada, jo, nobody, jo, ada)
	assert.False(t, placed[0].Conflict)
	assert.True(t, placed[1].Conflict)
	assert.True(t, placed[2].Conflict)
	assert.Equal(t, drift.Placement{Epoch: placed[1].Epoch, Seq: placed[1].Seq, Duplicate: true, Conflict: true}, placed[3])
	assert.Equal(t, drift.Placement{Epoch: placed[0].Epoch, Seq: placed[0].Seq, Duplicate: true}, placed[4])
	h, err := s.History("K-07")
	require.NoError(t, err)
	require.Len(t, h, 1)
	assert.Equal(t, "Ada Ruiz", h[0].Operator)
	kept, err := s.Conflicts()
	require.NoError(t, err)
	require.Len(t, kept, 2)
	assert.Equal(t, "Jo Lund", kept[0].Operator)
}

func setups(t *testing.T, s Store) {
	fleet := entry(drift.Record{Type: drift.TypeSetup, Time: Received(), Setup: &drift.Setup{Scope: drift.ScopeFleet, AttemptLimit: drift.Some(int64(5))}})
	model := entry(drift.Record{Type: drift.TypeSetup, Time: Received(), Setup: &drift.Setup{Scope: drift.ScopeModel, Name: "type-1", Target: drift.Some(250.0)}})
	own := entry(drift.Record{Type: drift.TypeSetup, Time: Received(), Machine: "K-07", Setup: &drift.Setup{Scope: drift.ScopeMachine, Depot: "east"}})
	keep(t, s, fleet, Calibration("K-07", 1), own, model)
	got, err := s.Setups()
	require.NoError(t, err)
	require.Len(t, got, 3)
	for i, want := range []drift.Entry{fleet, own, model} {
		assert.Equal(t, want.ID, got[i].ID)
	}
	h, err := s.History("K-07")
	require.NoError(t, err)
	assert.Len(t, h, 2)
}

func since(t *testing.T, s Store) {
	for i := range 25 {
		keep(t, s, Calibration(fmt.Sprintf("K-%d", i%3), i))
	}
	var epoch, seq uint64
	n := 0
	for {
		page, err := s.Since(epoch, seq, 7)
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		for _, e := range page {
			arcs, _ := e.ArcCount.Get()
			require.EqualValues(t, n, arcs)
			n++
			epoch, seq = e.StoreEpoch, e.StoreSeq
		}
	}
	assert.Equal(t, 25, n)
}

func refusals(t *testing.T, s Store) {
	refusal := func(machine, raw string, at time.Time) drift.Refusal {
		return drift.Refusal{Machine: machine, Via: "mqtt", Line: 3, Raw: []byte(raw), Size: len(raw), Time: at, Last: at, Times: 1,
			Problem: drift.Problem{Field: "humidity_pct", Value: "140", Reason: "must be from 0 to 100 percent"}}
	}
	later := Received().Add(time.Hour)
	_, err := s.Append([]drift.Entry{Calibration("K-07", 1)}, []drift.Refusal{refusal("K-07", "{one", Received()), refusal("K-08", "{two", Received())})
	require.NoError(t, err)
	_, err = s.Append(nil, []drift.Refusal{refusal("K-07", "{one", later), refusal("K-07", "{three", later)})
	require.NoError(t, err)

	got, err := s.Refusals("K-07", 0)
	require.NoError(t, err)
	require.Len(t, got, 2, "the same bytes for the same reason are one refusal")
	assert.Equal(t, "{three", string(got[0].Raw), "newest first")
	again := got[1]
	assert.Equal(t, 2, again.Times)
	assert.True(t, again.Time.Equal(Received()) && again.Last.Equal(later))
	assert.Equal(t, 3, again.Line)
	assert.Equal(t, drift.Problem{Field: "humidity_pct", Value: "140", Reason: "must be from 0 to 100 percent"}, again.Problem)

	reported := refusal("K-07", "{one", later.Add(time.Hour))
	reported.Times, reported.Forwarded = 5, true
	_, err = s.Append(nil, []drift.Refusal{reported, reported})
	require.NoError(t, err)
	got, err = s.Refusals("K-07", 0)
	require.NoError(t, err)
	assert.Equal(t, 5, got[1].Times, "another agent reports its total, which is not added")

	counts, err := s.RefusalCounts()
	require.NoError(t, err)
	assert.Equal(t, []store.RefusalCount{
		{Machine: "K-07", Field: "humidity_pct", Reason: "must be from 0 to 100 percent", Count: 2},
		{Machine: "K-08", Field: "humidity_pct", Reason: "must be from 0 to 100 percent", Count: 1},
	}, counts)
	newest, err := s.Refusals("", 1)
	require.NoError(t, err)
	assert.Len(t, newest, 1)
}

func counters(t *testing.T, s Store) {
	late := Calibration("K-07", 900)
	early := Calibration("K-07", 20)
	keep(t, s, late, early, Calibration("K-08", 5))
	got, err := s.Counters()
	require.NoError(t, err)
	require.Len(t, got, 2)
	assert.Equal(t, drift.Some(int64(900)), got["K-07"].Arcs, "a late upload does not turn the counter back")
	assert.True(t, got["K-07"].At.Equal(late.Time))
	keep(t, s, entry(drift.Record{Type: drift.TypeService, Machine: "K-07", Time: late.Time.Add(time.Hour), Service: &drift.Service{Action: drift.Replaced}}))
	got, err = s.Counters()
	require.NoError(t, err)
	assert.False(t, got["K-07"].Arcs.Known(), "after a replacement the counter is unknown")
}
