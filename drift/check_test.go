package drift_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/drifttest"
)

// calibration is a valid record to spoil in tests.
func calibration(change func(r *drift.Record, c *drift.Calibration)) drift.Record {
	r := drift.Record{Type: drift.TypeCalibration, Machine: "K-07", Calibration: &drift.Calibration{Passed: drift.Some(true)}}
	change(&r, r.Calibration)
	return r
}

func correction(change func(r *drift.Record, c *drift.Correction)) drift.Record {
	r := drift.Record{Type: drift.TypeCorrection, Machine: "K-07", Correction: &drift.Correction{
		Corrects: "a1", Reason: "misread", Changes: []drift.Change{{Field: "site", Value: "North yard"}},
	}}
	change(&r, r.Correction)
	return r
}

func setup(s drift.Setup) drift.Record { return drift.Record{Type: drift.TypeSetup, Setup: &s} }

func TestCheckTakesEveryValidRecord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drifttest.Records().Draw(t, "record")
		require.NoError(t, r.Check())
	})
}

func TestCheckRefuses(t *testing.T) {
	for _, c := range []struct {
		record drift.Record
		reason string
	}{
		{drift.Record{}, "type is missing: it says what the record is, one of calibration, service, usage, splice, setup, correction, decision"},
		{drift.Record{Type: drift.TypeSplice, Machine: "K-07", Splice: &drift.Splice{Loss: drift.Some(0.1), Method: drift.OTDR}}, "loss_direction is missing: a measured loss needs its direction, a-to-b, b-to-a, or both for the mean of the two, because one direction alone can be wrong by more than the loss"},
		{drift.Record{Type: drift.TypeSplice, Machine: "K-07", Splice: &drift.Splice{Loss: drift.Some(0.1), Count: drift.Some(int64(1)), Direction: drift.AToB}}, "loss_method is missing: a loss with a direction was measured, so say how, otdr or light-source"},
		{drift.Record{Type: drift.TypeSplice, Machine: "K-07", Splice: &drift.Splice{Method: drift.LightSource, Direction: drift.BothWays}}, "loss_db is missing: the loss that was measured, in decibels, is needed here"},
		{drift.Record{Type: drift.TypeDecision, Machine: "K-07", Decision: &drift.Decision{Day: "2026-03-02"}}, "verdict is missing: accept, re-measure, redo or bench is needed here"},
		{drift.Record{Type: drift.TypeDecision, Machine: "K-07", Decision: &drift.Decision{Verdict: drift.Redo, Day: "2 March"}}, "day is \"2 March\": it must be a day like 2026-03-02"},
		{drift.Record{Type: drift.TypeDecision, Machine: "K-07", Decision: &drift.Decision{Verdict: drift.Accept, Day: "2026-03-02"}}, "reason is missing: why the splices can stay as they are is needed here"},
		{drift.Record{Type: "calibrate"}, `type is "calibrate": it must be one of calibration, service, usage, splice, setup, correction, decision`},
		{drift.Record{Type: drift.TypeCalibration, Machine: "K-07"}, `type is "calibration": it does not match the content of the record`},
		{drift.Record{Type: drift.TypeUsage, Machine: "K-07", ArcCount: drift.Some(int64(1)), Splice: &drift.Splice{}}, `type is "usage": it does not match the content of the record`},
		{drift.Record{Type: drift.TypeUsage}, "machine is missing: the name of the splicing machine is needed here"},
		{drift.Record{Type: drift.TypeUsage, Machine: "K-07"}, "arc_count is missing: the pair's counter is needed here"},
		{drift.Record{Type: drift.TypeUsage, Machine: "K-07", ArcCount: drift.Some(int64(-1))}, "arc_count is -1: it must be from 0 to 10000000 arcs"},
		{drift.Record{Type: drift.TypeUsage, Machine: "K-07", ArcCount: drift.Some(int64(1)), Seq: drift.Some(int64(1) << 53)}, "seq is 9007199254740992: it must be from 0 to 9007199254740991"},
		{drift.Record{Type: drift.TypeService, Machine: "K-07", Service: &drift.Service{}}, "action is missing: cleaned, replaced or inspected is needed here"},
		{drift.Record{Type: drift.TypeSplice, Machine: "K-07", Splice: &drift.Splice{}}, "count is missing: splices made since the last such record is needed here"},
		{calibration(func(r *drift.Record, c *drift.Calibration) { c.Passed = drift.Opt[bool]{} }), "passed is missing: what the machine said, true or false, is needed here"},
		{calibration(func(r *drift.Record, c *drift.Calibration) {
			c.Attempt, c.Attempts = drift.Some(int64(1)), drift.Some(int64(2))
		}), "attempts cannot be combined with attempt: give attempt for one attempt, or attempts for a whole session"},
		{calibration(func(r *drift.Record, c *drift.Calibration) { c.Attempt = drift.Some(int64(21)) }), "attempt is 21: it must be from 1 to 20"},
		{calibration(func(r *drift.Record, c *drift.Calibration) { c.MeltbackLeft = drift.Some(0.0) }), "meltback_left_um is 0: it must be above 0 and at most 2000 micrometres"},
		{calibration(func(r *drift.Record, c *drift.Calibration) { c.Temperature = drift.Some(math.NaN()) }), "temperature_c is NaN: it must be from -40 to 60 degrees Celsius"},
		{calibration(func(r *drift.Record, c *drift.Calibration) { c.Humidity = drift.Some(math.Inf(1)) }), "humidity_pct is +Inf: it must be from 0 to 100 percent"},
		{calibration(func(r *drift.Record, c *drift.Calibration) { c.Trigger = "rain" }), `trigger is "rain": it must be one of start-of-day, moved, weather, electrode-service, other`},
		{calibration(func(r *drift.Record, c *drift.Calibration) { r.Machine = "K 07" }), `machine is "K 07": it must be letters, digits, dot, dash or underscore, starting with a letter or digit`},
		{calibration(func(r *drift.Record, c *drift.Calibration) { r.Machine = "-7" }), `machine is -7: it must be letters, digits, dot, dash or underscore, starting with a letter or digit`},
		{calibration(func(r *drift.Record, c *drift.Calibration) { r.Model = "a\x00b" }), `model is "a\x00b": it must not contain control characters`},
		{calibration(func(r *drift.Record, c *drift.Calibration) { r.Model = "\xff" }), `model is "\xff": it must be UTF-8 text`},
		{calibration(func(r *drift.Record, c *drift.Calibration) { r.Site = strings.Repeat("é", 33) }), `site is "` + strings.Repeat("é", 30) + `…": it must be at most 64 bytes long, not 66`},
		{calibration(func(r *drift.Record, c *drift.Calibration) { r.Time = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) }), `time is "10000-01-01T00:00:00Z": it must be a time in the years 1 to 9999`},
		{calibration(func(r *drift.Record, c *drift.Calibration) {
			r.Time = time.Date(1, 1, 1, 0, 0, 0, 0, time.FixedZone("", 3600)) // in UTC it is the year 0
		}), `time is "0000-12-31T23:00:00Z": it must be a time in the years 1 to 9999`},
		{setup(drift.Setup{}), "scope is missing: fleet, model, site or machine is needed here"},
		{setup(drift.Setup{Scope: drift.ScopeMachine}), "machine is missing: the name of the splicing machine is needed here"},
		{setup(drift.Setup{Scope: drift.ScopeModel}), "name is missing: which model it is for is needed here"},
		{setup(drift.Setup{Scope: drift.ScopeSite}), "name is missing: which site it is for is needed here"},
		{setup(drift.Setup{Scope: drift.ScopeFleet, Zone: "../etc/passwd"}), `zone is "../etc/passwd": it must be a time zone like Europe/Oslo`},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Corrects = "" }), "corrects is missing: the id of the record to correct is needed here"},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Reason = "" }), "reason is missing: why the record is corrected is needed here"},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Changes = nil }), "fields is missing: the new values is needed here"},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Changes[0].Field = "sites" }), "sites is not a field: did you mean site? Anything of your own goes into extra"},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Changes[0].Field = "extra" }), "extra cannot stand here"},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Changes[0].Field = "machine" }), `fields is "machine": it cannot be corrected: it says which record this is`},
		{correction(func(r *drift.Record, c *drift.Correction) { c.Changes[0].Value = 3.0 }), "site is 3: it must be text"},
	} {
		err := c.record.Check()
		assert.EqualError(t, err, c.reason)
		assert.IsType(t, &drift.Problem{}, err)
	}
}

func TestReasonOfACorrectionMayBeASentence(t *testing.T) {
	r := correction(func(_ *drift.Record, c *drift.Correction) { c.Reason = strings.Repeat("x", 500) })
	assert.NoError(t, r.Check())
	r.Correction.Reason += "x"
	assert.ErrorContains(t, r.Check(), "at most 500 bytes")
}

func TestUnknownField(t *testing.T) {
	for name, sentence := range map[string]string{
		"pased":                  "pased is not a field: did you mean passed? Anything of your own goes into extra",
		"loss":                   "loss has no unit: give a loss in decibels, as loss_db",
		"zzz":                    "zzz is not a field of any record; anything of your own goes into extra",
		"":                       `"" is not a field of any record; anything of your own goes into extra`,
		"a\nb":                   `"a\nb" is not a field of any record; anything of your own goes into extra`,
		strings.Repeat("q", 100): `"` + strings.Repeat("q", 60) + `…" is not a field of any record; anything of your own goes into extra`,
	} {
		assert.EqualError(t, drift.UnknownField(name), sentence)
	}
}

func TestProblemWithoutFieldIsItsReason(t *testing.T) {
	assert.EqualError(t, &drift.Problem{Reason: "the record was cut short"}, "the record was cut short")
}

func TestProblemOf(t *testing.T) {
	p := &drift.Problem{Reason: "the record was cut short"}
	assert.Nil(t, drift.ProblemOf(nil))
	assert.Same(t, p, drift.ProblemOf(fmt.Errorf("line 7: %w", p)))
	assert.Equal(t, &drift.Problem{Reason: "disk full"}, drift.ProblemOf(errors.New("disk full")))
}
