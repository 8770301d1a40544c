package drift_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestSessions(t *testing.T) {
	type step struct {
		minutes  int
		change   func(c *drift.Calibration) // nil is a service
		fresh    bool
		attempt  int64
		whatever bool // another record, of no consequence
	}
	fail := func(*drift.Calibration) {}
	pass := func(c *drift.Calibration) { c.Passed = drift.Some(true) }
	nth := func(n int64) func(*drift.Calibration) {
		return func(c *drift.Calibration) { c.Attempt = drift.Some(n) }
	}
	named := func(name string, more func(*drift.Calibration)) func(*drift.Calibration) {
		return func(c *drift.Calibration) { c.Session = name; more(c) }
	}
	whole := func(n int64) func(*drift.Calibration) {
		return func(c *drift.Calibration) { c.Attempts = drift.Some(n) }
	}
	for name, steps := range map[string][]step{
		"counts on":                   {{0, fail, true, 1, false}, {2, fail, false, 2, false}, {4, pass, false, 3, false}},
		"after a pass":                {{0, pass, true, 1, false}, {2, fail, true, 1, false}},
		"sixty minutes are not over":  {{0, fail, true, 1, false}, {60, fail, false, 2, false}, {121, fail, true, 1, false}},
		"attempt does not rise":       {{0, nth(2), true, 2, false}, {1, nth(3), false, 3, false}, {2, nth(3), true, 3, false}, {3, nth(1), true, 1, false}},
		"attempt may skip":            {{0, nth(1), true, 1, false}, {1, nth(4), false, 4, false}, {2, fail, false, 5, false}},
		"after a service":             {{0, fail, true, 1, false}, {1, nil, false, 0, false}, {2, fail, true, 1, false}},
		"other records do not matter": {{0, fail, true, 1, false}, {1, fail, false, 0, true}, {2, fail, false, 2, false}},
		"a name holds together what nothing else would": {
			{0, named("s", nth(2)), true, 2, false}, {1, named("s", pass), false, 3, false}, {2, nil, false, 0, false},
			{500, named("s", nth(1)), false, 1, false}, {501, named("t", fail), true, 1, false},
		},
		"without the name it is another": {{0, named("s", fail), true, 1, false}, {1, fail, true, 1, false}, {2, named("s", fail), true, 1, false}},
		"a whole session in one record":  {{0, fail, true, 1, false}, {1, whole(4), true, 4, false}, {2, whole(2), true, 2, false}, {3, fail, true, 1, false}},
	} {
		t.Run(name, func(t *testing.T) {
			var sessions drift.Sessions
			for i, s := range steps {
				e := attempt("a", s.minutes)
				switch {
				case s.whatever:
					e.Record = drift.Record{Type: drift.TypeUsage, Time: e.Time}
				case s.change == nil:
					e.Record = drift.Record{Type: drift.TypeService, Time: e.Time, Service: &drift.Service{Action: drift.Cleaned}}
				default:
					s.change(e.Calibration)
				}
				got, is := sessions.Next(&e)
				require.Equal(t, e.Calibration != nil, is)
				assert.Equal(t, drift.Place{New: s.fresh, Attempt: s.attempt}, got, "step %d", i)
			}
		})
	}
}
