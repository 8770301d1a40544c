package alert_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift/advise"
)

// The page shows what was sent, and what was not with the reason.
func TestShow(t *testing.T) {
	stop, soon, quiet := worn(advise.Stop), worn(advise.ServiceSoon), machine("K-30", advise.NoData)
	soon.Machine = "K-08"
	s := begin(t, stop, soon, quiet, machine("K-01", advise.Fit))
	s.policy.Right[alert.ElectrodesDue] = 0.7
	sent := s.step(8 * hour)
	require.Len(t, sent, 1)
	require.Empty(t, s.step(10*hour))
	now := monday.Add(10 * hour)
	shown := s.policy.Show(s.state, s.view, now)
	require.Len(t, shown, 3)
	assert.Equal(t, []string{"K-07", "K-08", "K-30"}, []string{shown[0].Subject, shown[1].Subject, shown[2].Subject})
	assert.Equal(t, sent[0].Short, shown[0].Short, "what the phones say")
	assert.Empty(t, shown[0].Remark)
	assert.Contains(t, shown[1].Remark, "not expected to be right 8 times in 10")
	assert.Equal(t, alert.Note, shown[2].Severity)
	assert.NotContains(t, shown[2].Body, "log the service", "no bench can answer silence")
	assert.NotContains(t, shown[2].Short, "Reply")
	for _, one := range shown {
		assert.LessOrEqual(t, len([]rune(one.Short)), 160)
	}
	s.view.Machines = s.view.Machines[1:]
	assert.Len(t, s.policy.Show(s.state, s.view, now), 2, "a machine that left")
}

// The house may hold a rule for longer than the rule proposes.
func TestHoldIsSettled(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop))
	s.policy.Hold = map[alert.RuleName]time.Duration{alert.MustStop: 20 * time.Minute}
	assert.Empty(t, s.at(8*hour))
	assert.Empty(t, s.at(8*hour+19*time.Minute))
	assert.Len(t, s.at(8*hour+20*time.Minute), 1)
}
