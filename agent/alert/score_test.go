package alert_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

func TestScores(t *testing.T) {
	judged := func(f drift.Finding) alert.Outcome {
		return alert.Outcome{Rule: alert.ElectrodesDue, SentAt: monday, Finding: f}
	}
	outcomes := []alert.Outcome{
		judged(drift.Worn), judged(drift.Dirty), judged(drift.Fine), judged(drift.CleaverFault), judged(drift.OtherFault), judged(""),
		{Rule: alert.ElectrodesDue, Finding: drift.Worn}, // only listed, and right all the same
		{Rule: alert.MustStop, Finding: drift.Worn},
		{Rule: alert.SourceSilent, SentAt: monday},
	}
	got := alert.Scores(outcomes)
	assert.Equal(t, []alert.Score{
		{Rule: alert.MustStop, Right: 1},
		{Rule: alert.ElectrodesDue, Sent: 6, Right: 3, Wrong: 2, Unclear: 2},
	}, got)
	assert.Equal(t, drift.Some(0.6), got[1].Precision())
	assert.False(t, (&alert.Score{Unclear: 3}).Precision().Known(), "no finding, no share")
}

// The mean of a beta distribution with parameters a and b is a/(a+b); here a is
// right + 10·known and b is wrong + 10·(1 − known).
func TestExpected(t *testing.T) {
	assert.Equal(t, 0.9, (&alert.Score{}).Expected(0.9), "nothing seen, nothing learned")
	assert.Equal(t, 0.8, (&alert.Score{Right: 7, Wrong: 3}).Expected(0.9), "(7 + 9) / 20")
	// 1e-3: a thousand cases outweigh ten.
	assert.InDelta(t, 0.5, (&alert.Score{Right: 500, Wrong: 500}).Expected(0.6), 1e-3)
}

// On the edge a rule sends, and no rounding may say otherwise: with 0.8 known
// beforehand (right + 8) / (right + wrong + 10) is 8 in 10 or more exactly when right
// is four times wrong or more. So one wrong case silences a new rule, and four right
// ones make up for it.
func TestTheEdgeOfSending(t *testing.T) {
	for right := range 80 {
		for wrong := range 80 {
			score := alert.Score{Right: right, Wrong: wrong}
			require.Equal(t, right >= 4*wrong, score.Expected(0.8) >= alert.RightEnough, "%d right, %d wrong", right, wrong)
		}
	}
	for _, c := range []struct {
		right, wrong int
		sends        bool
	}{{0, 0, true}, {0, 1, false}, {3, 1, false}, {4, 1, true}, {5, 1, true}, {7, 2, false}, {8, 2, true}} {
		s := begin(t, machine("K-02", advise.ServiceSoon))
		s.policy.Right[alert.ElectrodesDue] = (&alert.Score{Right: c.right, Wrong: c.wrong}).Expected(0.8)
		s.step(5 * hour)
		s.step(6 * hour)
		assert.Equal(t, c.sends, len(s.at(7*hour)) == 1, "%d right, %d wrong", c.right, c.wrong)
		card := s.policy.Card(s.state, nil, nil, 1, monday.Add(8*hour))
		assert.Equal(t, c.sends, card.Rules[1].Sends, "the card says what is done")
	}
}

// From the first alert to the rule that learns: cleavers blamed on electrodes
// take a rule off the messages.
func TestRuleThatIsWrongStopsSending(t *testing.T) {
	s := begin(t, machine("K-07", advise.Stop))
	known := s.policy.Right[alert.MustStop]
	for day := range 4 {
		midnight := time.Duration(day) * 24 * hour
		s.at(midnight + 8*hour)
		s.view.Machines[0].Service = alert.Service{Time: monday.Add(midnight + 9*hour), Action: drift.Inspected, Finding: drift.CleaverFault}
		s.at(midnight + 10*hour)
		s.view.Machines[0].State = advise.Fit
		s.at(midnight + 11*hour)
		s.view.Machines[0].State = advise.Stop
		s.policy.Right[alert.MustStop] = alert.Scores(s.outcomes)[0].Expected(known)
	}
	// (0 + 10 · 0.9) / (k + 10) falls below 0.8 with the second wrong one.
	assert.Equal(t, []bool{true, true, false, false}, []bool{
		!s.outcomes[0].SentAt.IsZero(), !s.outcomes[1].SentAt.IsZero(), !s.outcomes[2].SentAt.IsZero(), !s.outcomes[3].SentAt.IsZero(),
	})
}
