package alert_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/advise"
)

// The agent's clock was a year ahead for an hour and was set right: what is wrong
// then is reported now and not in a year.
func TestAClockOnceAheadSilencesNothing(t *testing.T) {
	const year = 364 * 24 * hour
	s := begin(t, machine("K-07", advise.ServiceSoon), machine("K-08", advise.Fit))
	s.policy.To["note"] = []string{"manager"}
	s.at(year)
	s.at(year + hour)
	s.at(8 * hour)
	s.view.Machines[1].State = advise.Stop
	assert.Contains(t, s.at(9*hour), "alert stop K-08 → crew,bench")
	next := append(s.at(12*hour), s.at(31*hour)...) // seven in the next morning
	assert.Contains(t, next, "alert electrode-service K-07 → bench", "%v", s.state)
	assert.Contains(t, next, "list   → manager")
	for _, c := range s.state.Cases {
		assert.False(t, c.Since.After(monday.Add(31*hour)), "%s", c.Subject)
	}
}
