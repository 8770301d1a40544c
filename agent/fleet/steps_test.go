package fleet

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/faulttest"
	"arcdrift/drift"
)

// However a snapshot came about, step by step, each answer in it is that of the records
// alone for the answer's moment, at most a tick ago, and all is in its place. What has
// changed since any earlier snapshot is found.
func TestASnapshotOfManyStepsIsTheOneMadeAnew(t *testing.T) {
	for seed := range faulttest.Rounds(t, 1) {
		chance := rand.New(rand.NewPCG(uint64(seed), 18))
		before, _ := story(t)
		y := newYard(t, evening)
		before = before[:len(before)/4] // learning is quick
		y.take(t, before[:len(before)/3]...)
		stays := y.Snapshot()
		kept := stays.Assessments()
		before = before[len(before)/3:]
		for step := range 30 {
			was := y.Snapshot()
			before = y.happens(t, chance, step, before)
			require.NoError(t, y.catchUp())
			for y.relearn {
				y.now = y.now.Add(mostRest)
				require.NoError(t, y.catchUp())
			}
			y.heldAgainstRecords(t, fmt.Sprintf("seed %d, step %d", seed, step))
			require.Equal(t, changed(was, y.Snapshot()), slices.Collect(y.Snapshot().Changed(was)))
		}
		require.Equal(t, kept, stays.Assessments(), "it does not change")
	}
}

// happens lets one thing happen, and returns the records that are still to come.
func (y *yard) happens(t *testing.T, chance *rand.Rand, step int, before []drift.Record) []drift.Record {
	machine := fmt.Sprintf("M-%05d", 1+chance.IntN(5))
	setup := func(s drift.Setup) {
		y.send(t, drift.Record{Type: drift.TypeSetup, ID: fmt.Sprint("setup-", step), Machine: machine, Time: y.now, Setup: &s})
	}
	switch chance.IntN(13) {
	case 0:
		setup(drift.Setup{Scope: drift.ScopeMachine, Retired: drift.Some(chance.IntN(2) == 0)})
	case 1:
		setup(drift.Setup{Scope: drift.ScopeMachine, DailyCheck: drift.Some(int64(chance.IntN(3)))})
	case 2:
		setup(drift.Setup{Scope: drift.ScopeMachine, Customer: []string{"North", "South"}[chance.IntN(2)]})
	case 3:
		y.now = y.now.Add(time.Duration(1+chance.IntN(300)) * time.Minute)
	case 4:
		y.now = y.now.Add(24 * time.Hour)
	case 5:
		y.send(t, calibration("m-"+machine[2:], y.now)) // looks like another
	case 6:
		_, err := y.store.Append(nil, []drift.Refusal{{Machine: machine, Problem: drift.Problem{Reason: "is odd"}, Raw: fmt.Append(nil, step), Time: y.now}})
		require.NoError(t, err)
	case 7:
		if len(before) > 0 { // an old one, which is learnt from
			y.send(t, before[0])
			return before[1:]
		}
	case 8:
		y.send(t, calibration(machine, y.now.Add(10*time.Second))) // its clock runs ahead
		y.now = y.now.Add(time.Duration(5+chance.IntN(10)) * time.Second)
	default:
		y.now = y.now.Add(time.Duration(chance.IntN(50)) * time.Second)
		y.send(t, calibration(machine, y.now))
	}
	return before
}

// heldAgainstRecords holds the snapshot against what the records alone say.
func (y *yard) heldAgainstRecords(t *testing.T, what string) {
	s := y.Snapshot()
	g, err := look(y.store, cut{asOf: y.now})
	require.NoError(t, err)
	members, err := g.members(g.names)
	require.NoError(t, err)
	records, inUse := 0, 0
	for _, m := range members {
		a, about := s.Machine(m.name)
		require.Equal(t, m.about.Settings.Retired, a == nil, "%s: %s", what, m.name)
		if a == nil {
			continue
		}
		g.cut.asOf = a.AsOf
		require.Less(t, y.now.Sub(a.AsOf), tick, "%s: %s", what, m.name)
		require.Equal(t, g.assessed(m), *a, "%s: %s", what, m.name)
		then := m.about
		then.Before = g.before[m.name]
		require.Equal(t, then, *about, "%s: %s", what, m.name)
		records += a.Data.Records
		inUse++
	}
	all := s.Assessments()
	require.Len(t, all, inUse, what)
	sorted := slices.Clone(all)
	worstFirst(sorted)
	require.Equal(t, sorted, all, what)
	require.Equal(t, [2]int{inUse, records}, [2]int{s.Len(), s.records}, what)
	g.cut.asOf = y.now
	require.Equal(t, newSnapshot(y.now).next(g, slices.Values(members)).Locations(), s.Locations(), what)
}

// changed are the machines with another answer in one snapshot than in the other, by name.
func changed(a, b *Snapshot) []string {
	names := map[string]bool{}
	for _, s := range []*Snapshot{a, b} {
		for r := range s.byName.all {
			if a.row(r.Machine) != b.row(r.Machine) {
				names[r.Machine] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(names))
}
