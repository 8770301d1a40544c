package drift_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestDefaultsWithoutSetup(t *testing.T) {
	var s drift.Setups
	assert.Equal(t, drift.Settings{AttemptLimit: 4, ConditioningArcs: 20, CheckMinutes: 5, OutMinutes: 60, DailyCheck: 1}, s.For("K-07", "type-2", "North yard"))
}

// Every setting, each given in one scope more: the nearest scope that gives it
// wins, whatever the order they came in.
func TestNearestScopeWins(t *testing.T) {
	full := func(scope drift.Scope, name string, n int64) drift.Setup {
		x, text := drift.Some(float64(n)), string(scope)
		return drift.Setup{
			Scope: scope, Name: name, AttemptLimit: drift.Some(n), Target: x, Tolerance: x, Limit: x,
			ConditioningArcs: drift.Some(n), WarmUp: x, Zone: text, Depot: text, LeadTime: x, SparePairs: drift.Some(n),
			CheckMinutes: x, OutMinutes: x, DailyCheck: drift.Some(n), Retired: drift.Some(n%2 == 0), RenamedTo: text,
		}
	}
	settings := func(scope drift.Scope, n int64) drift.Settings {
		x, text := drift.Some(float64(n)), string(scope)
		return drift.Settings{
			AttemptLimit: n, Target: x, Tolerance: x, Limit: x, ConditioningArcs: n, ConditioningStated: true, WarmUp: x, Zone: text, Depot: text,
			LeadTime: x, SparePairs: drift.Some(n), CheckMinutes: float64(n), OutMinutes: float64(n), DailyCheck: n, Retired: n%2 == 0, RenamedTo: text,
		}
	}
	take := func(s *drift.Setups, machine string, setup drift.Setup) {
		s.Take(&drift.Record{Type: drift.TypeSetup, Machine: machine, Setup: &setup})
	}
	var s drift.Setups
	take(&s, "K-07", full(drift.ScopeMachine, "a name that does not matter", 5))
	assert.Equal(t, drift.DefaultAttemptLimit, int(s.For("K-08", "type-2", "North yard").AttemptLimit))
	take(&s, "", full(drift.ScopeFleet, "nor this", 2))
	take(&s, "", full(drift.ScopeSite, "North yard", 4))
	take(&s, "", full(drift.ScopeModel, "type-2", 3))

	assert.Equal(t, settings(drift.ScopeMachine, 5), s.For("K-07", "type-2", "North yard"))
	assert.Equal(t, settings(drift.ScopeSite, 4), s.For("K-08", "type-2", "North yard"))
	assert.Equal(t, settings(drift.ScopeModel, 3), s.For("K-08", "type-2", "South yard"))
	assert.Equal(t, settings(drift.ScopeModel, 3), s.For("K-08", "type-2", ""))
	assert.Equal(t, settings(drift.ScopeFleet, 2), s.For("K-08", "type-1", ""))
	assert.Equal(t, settings(drift.ScopeFleet, 2), s.For("", "", ""))
}

func TestLatestSettingCountsOneByOne(t *testing.T) {
	var s drift.Setups
	s.Take(&drift.Record{Type: drift.TypeUsage})
	s.Take(&drift.Record{Type: drift.TypeSetup, Setup: &drift.Setup{Scope: drift.ScopeFleet, AttemptLimit: drift.Some(int64(3)), Depot: "North"}})
	before := s.Clone()
	s.Take(&drift.Record{Type: drift.TypeSetup, Setup: &drift.Setup{Scope: drift.ScopeFleet, AttemptLimit: drift.Some(int64(6)), Retired: drift.Some(false)}})
	got := s.For("K-07", "", "")
	assert.Equal(t, int64(6), got.AttemptLimit)
	assert.Equal(t, "North", got.Depot, "what a later setup leaves out stays")
	assert.Equal(t, int64(3), before.For("K-07", "", "").AttemptLimit, "a clone goes its own way")
}

// How a table is read is nobody's setting, however often it is kept.
func TestATableIsNoScopeOfMachines(t *testing.T) {
	var s drift.Setups
	s.Take(&drift.Record{Type: drift.TypeSetup, Setup: &drift.Setup{Scope: drift.ScopeTable, Name: "K-07", AttemptLimit: drift.Some(int64(9))}})
	for _, name := range []string{"K-07", ""} {
		assert.Equal(t, int64(drift.DefaultAttemptLimit), s.For(name, name, name).AttemptLimit)
	}
}

func TestWeekdays(t *testing.T) {
	days, ok := drift.Weekdays("mon Tue  fri")
	assert.True(t, ok)
	assert.Equal(t, [7]bool{time.Monday: true, time.Tuesday: true, time.Friday: true}, days)
	for _, bad := range []string{"monday", "mo", "on ", "xyz", "mon,tue", "n m"} {
		_, ok := drift.Weekdays(bad)
		assert.False(t, ok, bad)
	}
}
