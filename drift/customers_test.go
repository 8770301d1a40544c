package drift_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestToWhomAMachineBelongs(t *testing.T) {
	t.Parallel()
	day := func(n int) time.Time { return time.Date(2026, 3, n, 8, 0, 0, 0, time.UTC) }
	seq := uint64(0)
	setup := func(n int, machine string, s drift.Setup) drift.Entry {
		s.Scope = drift.ScopeMachine
		seq++
		return drift.Entry{Record: drift.Record{Type: drift.TypeSetup, ID: machine + day(n).String(), Machine: machine, Time: day(n), Setup: &s}, Received: day(n), StoreEpoch: 1, StoreSeq: seq}
	}
	setups := []drift.Entry{
		setup(3, "K-07", drift.Setup{Customer: "Fjord", Depot: "north"}),
		setup(4, "K-07", drift.Setup{Customer: "Fjord"}),
		setup(5, "K-08", drift.Setup{Customer: "Fjord"}),
		setup(9, "K-08", drift.Setup{Customer: "Skerry"}),
		setup(10, "K-08", drift.Setup{Customer: "Skerry"}),
		setup(6, "K-09", drift.Setup{Customer: "Fjord"}),
		setup(7, "K-09", drift.Setup{RenamedTo: "F-09"}),
		setup(6, "K-10", drift.Setup{Customer: "Fjord"}),
		setup(6, "S-10", drift.Setup{Customer: "Skerry"}),
		setup(8, "K-10", drift.Setup{RenamedTo: "S-10"}),
		setup(20, "K-07", drift.Setup{Customer: "Skerry"}),
	}
	c, coming := drift.CustomersOf(slices.Clone(setups), day(12))
	assert.Equal(t, day(20), coming)
	for machine, want := range map[string]drift.Assignment{
		"K-07": {Customer: "Fjord", Depot: "north"}, // from the first on, whenever that was stated
		"K-08": {Customer: "Skerry", Since: day(9)}, // sold: the second statement does not count again
		"F-09": {Customer: "Fjord"},                 // renamed
		"K-09": {Customer: "Fjord"},                 // an old name is that of the same machine
		"S-10": {Customer: "Skerry", Since: day(8)}, // what Fjord did under the old name is not Skerry's business
		"K-99": {},                                  // nobody's
	} {
		assert.Equal(t, want, c.Of(machine), machine)
	}
	assert.True(t, c.Former("K-09"))
	assert.False(t, c.Former("F-09"))
	c, coming = drift.CustomersOf(setups, day(20))
	assert.Zero(t, coming)
	assert.Equal(t, drift.Assignment{Customer: "Skerry", Depot: "north", Since: day(20)}, c.Of("K-07"))
}

func TestAPartOfAFleet(t *testing.T) {
	t.Parallel()
	sold := time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)
	part := drift.Part(func(machine string) (time.Time, bool) {
		return map[string]time.Time{"K-08": sold}[machine], machine == "K-07" || machine == "K-08"
	})
	entry := func(machine string, happened, arrived time.Time) drift.Entry {
		return drift.Entry{Record: drift.Record{Machine: machine, Time: happened}, Received: arrived}
	}
	before, after := sold.Add(-time.Hour), sold.Add(time.Hour)
	all := []drift.Entry{
		entry("K-07", before, before), entry("K-08", after, after),
		entry("K-08", before, after), // sent late
		entry("K-08", after, before), // its clock was ahead
		entry("K-09", after, after), entry("", after, after),
	}
	assert.Equal(t, all[:2], part.Entries(slices.Clone(all)))
	assert.Equal(t, all, drift.Part(nil).Entries(all))
	assert.True(t, drift.Part(nil).Has("K-09"))
	assert.False(t, part.Has("K-09"))
	assert.False(t, part.Holds("K-08", before))
}
