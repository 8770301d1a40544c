package drift_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// attempt is a failed calibration and correct a correction of an entry, both at
// that many minutes.
func attempt(id string, minutes int) drift.Entry {
	e := at(id, minutes)
	e.Record = calibration(func(r *drift.Record, c *drift.Calibration) {
		r.ID, r.Time = id, e.Time
		c.Passed, c.Temperature = drift.Some(false), drift.Some(10.0)
	})
	return e
}

func correct(id, corrects string, minutes int, changes ...drift.Change) drift.Entry {
	e := at(id, minutes)
	e.Record = correction(func(r *drift.Record, c *drift.Correction) {
		r.ID, r.Time = id, e.Time
		c.Corrects, c.Changes = corrects, changes
	})
	return e
}

func TestCorrect(t *testing.T) {
	history := []drift.Entry{
		attempt("a", 0),
		correct("early", "b", 1, drift.Change{Field: "site", Value: "North yard"}),
		attempt("b", 2),
		correct("one", "a", 3, drift.Change{Field: "passed", Value: true}, drift.Change{Field: "temperature_c", Value: 12.0}),
		correct("two", "a", 4, drift.Change{Field: "temperature_c", Value: nil}),
		correct("foreign", "a", 5, drift.Change{Field: "action", Value: "cleaned"}),
		correct("spoils", "a", 6, drift.Change{Field: "passed", Value: nil}),
		correct("waits", "z", 7, drift.Change{Field: "passed", Value: true}),
		correct("of a correction", "one", 8, drift.Change{Field: "site", Value: "x"}),
	}
	got := drift.Correct(history)
	require.Equal(t, "a b", ids(got))
	assert.Equal(t, []string{"one", "two"}, got[0].CorrectedBy, "what does not fit the record has no effect")
	assert.Equal(t, drift.Some(true), got[0].Calibration.Passed)
	assert.Equal(t, drift.Opt[float64]{}, got[0].Calibration.Temperature, "the last correction of a field counts")
	assert.Equal(t, []string{"early"}, got[1].CorrectedBy, "a correction may stand before its record")
	assert.Equal(t, "North yard", got[1].Site)
	assert.Equal(t, drift.Some(false), history[0].Calibration.Passed, "what was given is not changed")
	assert.Equal(t, drift.Some(10.0), history[0].Calibration.Temperature)
	assert.Empty(t, history[0].CorrectedBy)
}

func TestACorrectedTimeMovesTheRecord(t *testing.T) {
	got := drift.Correct([]drift.Entry{
		attempt("a", 0), attempt("b", 1),
		correct("c", "a", 2, drift.Change{Field: "time", Value: morning.Add(time.Hour)}),
	})
	assert.Equal(t, "b a", ids(got))
}

func TestAccepts(t *testing.T) {
	service := drift.Record{Type: drift.TypeService, Machine: "K-07", Extra: []byte("{}"), Service: &drift.Service{Action: drift.Cleaned}}
	for _, c := range []struct {
		change drift.Change
		reason string
	}{
		{drift.Change{Field: "action", Value: "replaced"}, ""},
		{drift.Change{Field: "pair", Value: "lot 7"}, ""},
		{drift.Change{Field: "action"}, "action is missing: cleaned, replaced or inspected is needed here"},
		{drift.Change{Field: "action", Value: "oiled"}, `action is "oiled": it must be one of cleaned, replaced, inspected`},
		{drift.Change{Field: "passed", Value: true}, `passed is "true": it does not belong in a service record`},
		{drift.Change{Field: "machine", Value: "K-08"}, `fields is "machine": it cannot be corrected: it says which record this is`},
		{drift.Change{Field: "pear", Value: "x"}, "pear is not a field: did you mean pair? Anything of your own goes into extra"},
	} {
		err := (&drift.Correction{Changes: []drift.Change{c.change}}).Accepts(&service)
		if c.reason == "" {
			assert.NoError(t, err)
		} else {
			assert.EqualError(t, err, c.reason)
		}
	}
	assert.Equal(t, drift.Cleaned, service.Service.Action, "asking changes nothing")
}

func TestWhenIsArrivalWithoutAClock(t *testing.T) {
	e := drift.Entry{Received: morning}
	assert.Equal(t, morning, e.When())
	e.Time = morning.Add(-time.Hour)
	assert.Equal(t, e.Time, e.When())
}
