package drift_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestCounter(t *testing.T) {
	t.Parallel()
	noon := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	reading := func(arcs int64, at time.Time) *drift.Entry {
		return &drift.Entry{Record: drift.Record{Type: drift.TypeUsage, ArcCount: drift.Some(arcs), Time: at}, Received: noon}
	}
	service := func(action drift.Action, at time.Time) *drift.Entry {
		return &drift.Entry{Record: drift.Record{Type: drift.TypeService, Service: &drift.Service{Action: action}, Time: at}, Received: noon}
	}
	before := drift.Counter{Arcs: drift.Some(int64(900)), At: noon.Add(-time.Hour)}
	for name, test := range map[string]struct {
		entry        *drift.Entry
		want         drift.Counter
		rises, falls bool
	}{
		"more arcs":              {reading(901, noon), drift.Counter{Arcs: drift.Some(int64(901)), At: noon}, true, false},
		"the same":               {reading(900, noon), drift.Counter{Arcs: drift.Some(int64(900)), At: noon}, false, false},
		"fewer arcs":             {reading(12, noon), drift.Counter{Arcs: drift.Some(int64(12)), At: noon}, false, true},
		"a late upload":          {reading(12, noon.Add(-2*time.Hour)), before, false, false},
		"a clock that is ahead":  {reading(901, noon.Add(time.Hour)), drift.Counter{Arcs: drift.Some(int64(901)), At: noon}, true, false},
		"a new pair":             {service(drift.Replaced, noon), drift.Counter{At: noon}, false, false},
		"an old replacement":     {service(drift.Replaced, noon.Add(-2*time.Hour)), before, false, false},
		"cleaned, without count": {service(drift.Cleaned, noon), before, false, false},
	} {
		assert.Equal(t, test.want, before.Next(test.entry), name)
		assert.Equal(t, test.rises, before.Rises(&test.entry.Record), name)
		last, falls := before.Falls(test.entry)
		assert.Equal(t, test.falls, falls, name)
		assert.EqualValues(t, 900, last, name)
	}
	assert.True(t, drift.Counter{}.Rises(&reading(0, noon).Record), "the first reading")
	mistyped := drift.Counter{}.Next(reading(5, noon.AddDate(-1000, 0, 0)))
	assert.True(t, time.Unix(0, mistyped.At.UnixNano()).Equal(mistyped.At), "a store keeps it as it is")
	assert.Equal(t, drift.Some(int64(7)), mistyped.Next(reading(7, noon)).Arcs)
}
