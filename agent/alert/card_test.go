package alert_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/agent/alert"
	"arcdrift/drift"
)

func TestCard(t *testing.T) {
	p := alert.Policy{Right: map[alert.RuleName]float64{alert.MustStop: 0.9, alert.ElectrodesDue: 0.79}}
	assert.Equal(t, alert.Card{Machines: 4, Rules: []alert.CardRule{
		{Score: alert.Score{Rule: alert.MustStop}, Expected: 0.9, Sends: true},
		{Score: alert.Score{Rule: alert.ElectrodesDue}, Expected: 0.79},
	}}, p.Card(alert.State{}, nil, nil, 4, monday), "nothing yet")

	opened := monday.AddDate(0, 0, -10)
	outcomes := []alert.Outcome{
		{Subject: "K-07", Rule: alert.MustStop, Opened: opened, SentAt: opened, Service: opened.AddDate(0, 0, 4), Finding: drift.Worn},
		{Rule: alert.MustStop, Opened: opened, Finding: drift.Fine}, // only listed
		{Rule: alert.ChannelDead, Opened: opened.AddDate(-1, 0, 0), SentAt: opened},
		{Subject: "K-09", Rule: alert.ElectrodesDue, End: alert.Unannounced, Service: opened.AddDate(0, 0, 2), Finding: drift.Worn},
	}
	state := alert.State{Cases: []alert.Case{
		{Rule: alert.ElectrodesDue, Phase: alert.Open, Opened: opened.Add(-5 * 24 * time.Hour), SentAt: opened},
		{Rule: alert.ElectrodesDue, Phase: alert.Pending, Opened: opened.AddDate(-1, 0, 0), SentAt: opened},
	}}
	got := p.Card(state, outcomes, alert.FoundIn(outcomes), 4, monday)
	assert.True(t, got.Since.Equal(opened.AddDate(0, 0, -5)), "the agent's own rules are no machine's")
	assert.Equal(t, 2, got.Messages)
	assert.Zero(t, got.PerMonth, "15 days are too short for a rate per month")
	// Two messages in 45 days of 4 machines; a month is 365.25/12 = 30.44 days, to
	// the digits given.
	later := p.Card(state, outcomes, alert.FoundIn(outcomes), 4, monday.Add(30*24*time.Hour))
	assert.InDelta(t, 2/(45/30.44*4), later.PerMonth.Or(0), 1e-9)
	assert.Equal(t, drift.Some(0.5), got.Rules[0].Precision)
	assert.Zero(t, got.Rules[1].Right, "without a finding nothing is right")
	assert.Equal(t, alert.Notice{Found: 2, Ahead: 1, Missed: 1, Days: drift.Some(4.0)}, got.Notice)
}
