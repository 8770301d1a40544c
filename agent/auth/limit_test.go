package auth

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// assignments are for whom machines work; a name that begins with "was" is an earlier one.
type assignments map[string]drift.Assignment

func (a assignments) Version() uint64 { return 1 }

func (a assignments) Of(machine string) (drift.Assignment, bool) {
	if len(machine) > 3 && machine[:3] == "was" {
		return a[machine[3:]], true
	}
	return a[machine], false
}

var works = assignments{
	"K-07": {Customer: "Fjord", Depot: "north"}, "K-08": {Customer: "Skerry", Depot: "north"},
	"K-09": {Customer: "Fjord", Depot: "south", Since: time.Date(2026, 3, 9, 8, 0, 0, 0, time.UTC)}, "K-10": {Depot: "north"},
}

func TestALimitedAccountSeesItsMachinesOnly(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		limit Limit
		sees  []string
	}{
		"no limit":       {Limit{}, []string{"K-07", "K-08", "K-09", "K-10", "K-99", "wasK-07", "wasK-09"}},
		"a customer":     {Limit{Customers: []string{"Fjord"}}, []string{"K-07", "K-09", "wasK-07"}},
		"two customers":  {Limit{Customers: []string{"Fjord", "Skerry"}}, []string{"K-07", "K-08", "K-09", "wasK-07"}},
		"a depot":        {Limit{Depots: []string{"north"}}, []string{"K-07", "K-08", "K-10", "wasK-07"}},
		"both":           {Limit{Customers: []string{"Fjord"}, Depots: []string{"north"}}, []string{"K-07", "wasK-07"}},
		"another nobody": {Limit{Customers: []string{"Reef"}}, nil},
	} {
		p := Principal{Name: "ines", Role: Manager, Limit: c.limit, assignments: works}
		var sees []string
		for _, machine := range []string{"K-07", "K-08", "K-09", "K-10", "K-99", "wasK-07", "wasK-09"} {
			if p.Sees(machine) {
				sees = append(sees, machine)
			}
			assert.Equal(t, p.Sees(machine), p.MayRead(machine), "%s %s", name, machine)
			assert.Equal(t, p.Sees(machine), p.MayWrite(machine), "%s %s", name, machine)
		}
		assert.Equal(t, c.sees, sees, name)
		assert.Equal(t, c.limit.None(), p.MayReadAll(), name)
		if p.Sees("K-09") && p.Limited() {
			assert.Equal(t, works["K-09"].Since, p.Part().Since("K-09"), name)
		}
	}
	blind := Principal{Role: Manager, Limit: Limit{Customers: []string{"Fjord"}}}
	assert.False(t, blind.Sees("K-07"), "without assignments nobody works for anybody")
}

// A record about a machine of another customer is refused as one about a machine that
// does not exist, in the same words.
func TestWhatALimitedAccountMayWrite(t *testing.T) {
	t.Parallel()
	lead := Principal{Name: "ines", Role: Manager, Limit: Limit{Customers: []string{"Fjord"}}, assignments: works}
	setup := func(machine string, s drift.Setup) *drift.Record {
		s.Scope = drift.ScopeMachine
		return &drift.Record{Type: drift.TypeSetup, Machine: machine, Setup: &s}
	}
	usage := func(machine string) *drift.Record { return &drift.Record{Type: drift.TypeUsage, Machine: machine} }
	require.Nil(t, lead.Check(usage("K-07")))
	require.Nil(t, lead.Check(setup("K-07", drift.Setup{Zone: "UTC", Depot: "south"})))
	require.Nil(t, lead.Check(setup("K-07", drift.Setup{RenamedTo: "K-09"})))
	for _, machine := range []string{"K-08", "K-99", "K-10"} {
		assert.EqualError(t, lead.Check(usage(machine)), "machine is \""+machine+"\": it is not one that ines may write for")
		assert.EqualError(t, lead.Check(setup("K-07", drift.Setup{RenamedTo: machine})), "renamed_to is \""+machine+"\": it is not one that ines may write for")
	}
	for _, scope := range []drift.Scope{drift.ScopeFleet, drift.ScopeModel, drift.ScopeSite} {
		problem := lead.Check(&drift.Record{Type: drift.TypeSetup, Setup: &drift.Setup{Scope: scope, Name: "x", Zone: "UTC"}})
		require.NotNil(t, problem)
		assert.Equal(t, "scope", problem.Field)
	}
	assert.Equal(t, "customer", lead.Check(setup("K-07", drift.Setup{Customer: "Fjord"})).Field)
	north := lead
	north.Limit = Limit{Depots: []string{"north"}}
	assert.Equal(t, "depot", north.Check(setup("K-07", drift.Setup{Depot: "south"})).Field)
	whole := Principal{Name: "boss", Role: Manager}
	assert.Nil(t, whole.Check(setup("K-07", drift.Setup{Customer: "Fjord"})))
	device := Principal{Name: "van-4", Role: Device, Machines: Machines{"K-*"}}
	assert.Equal(t, "customer", device.Check(setup("K-07", drift.Setup{Customer: "Reef"})).Field)
	device.Machines = Machines{"*"}
	assert.Nil(t, device.Check(setup("K-07", drift.Setup{Customer: "Fjord"})), "an agent that forwards its own setups")
	device.Limit, device.assignments = lead.Limit, works
	assert.Nil(t, device.Check(usage("K-07")))
	assert.Equal(t, "machine", device.Check(usage("K-08")).Field)
	assert.Equal(t, "customer", device.Check(setup("K-07", drift.Setup{Customer: "Fjord"})).Field)
}

func TestLimitsWithinLimits(t *testing.T) {
	t.Parallel()
	fjord, both, north := Limit{Customers: []string{"Fjord"}}, Limit{Customers: []string{"Fjord", "Skerry"}}, Limit{Customers: []string{"Fjord"}, Depots: []string{"north"}}
	assert.True(t, fjord.within(Limit{}))
	assert.True(t, fjord.within(both))
	assert.True(t, north.within(fjord))
	assert.False(t, both.within(fjord))
	assert.False(t, fjord.within(north))
	assert.False(t, Limit{}.within(fjord))
	_, err := ParseLimit([]string{""}, nil)
	assert.Error(t, err)
	assert.Equal(t, "customer Fjord or Skerry", both.String())
}
