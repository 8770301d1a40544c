package alert_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/agent/alert"
	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// judged is a policy after so many right and wrong findings, with a share known
// beforehand.
func judged(known float64, right, wrong int) alert.Policy {
	p := policy()
	s := alert.Score{Rule: alert.ElectrodesDue, Right: right, Wrong: wrong}
	p.Scores = map[alert.RuleName]alert.Score{alert.ElectrodesDue: s}
	p.Right[alert.ElectrodesDue] = s.Expected(known)
	return p
}

// A rule that the bench found wrong once is silent until four were right: 12 of 15
// are 8 in 10. It says so, and how many bring it back.
func TestAWithheldRuleIsShown(t *testing.T) {
	p := judged(0.8, 0, 0)
	assert.Empty(t, p.Withheld())
	p = judged(0.8, 0, 1)
	require.Equal(t, []alert.Withheld{{Rule: alert.ElectrodesDue, Wrong: 1, Needs: 4}}, p.Withheld())
	assert.Equal(t, "Service soon alerts are not sent. By the findings of the bench, 0 were right and 1 wrong, which is below 8 in 10. They appear in the lists only: no message does not mean that a machine is fit. They are sent again after 4 findings of worn or dirty in a row, logged with the service.", p.Withheld()[0].String())
	p = judged(0.8, 3, 1)
	assert.Contains(t, p.Withheld()[0].String(), "one finding of worn or dirty")
	p = judged(0.8, 4, 1)
	assert.Empty(t, p.Withheld())
	// However it came to be silent, so many are what it takes, and not fewer.
	rapid.Check(t, func(t *rapid.T) {
		right, wrong := rapid.IntRange(0, 30).Draw(t, "right"), rapid.IntRange(0, 30).Draw(t, "wrong")
		known := rapid.Float64Range(0.5, 1).Draw(t, "known")
		p := judged(known, right, wrong)
		quiet := p.Withheld()
		if len(quiet) == 0 {
			return
		}
		n := quiet[0].Needs
		enough, less := judged(known, right+n, wrong), judged(known, right+n-1, wrong)
		require.InDelta(t, 0.8, enough.Right[alert.ElectrodesDue], 0.2)
		require.GreaterOrEqual(t, enough.Right[alert.ElectrodesDue], 0.8-1e-9)
		require.Less(t, less.Right[alert.ElectrodesDue], 0.8)
	})
}

// The morning list says it too, even where nothing else is in it.
func TestTheListSaysWhatIsWithheld(t *testing.T) {
	s := begin(t, machine("K-07", advise.Fit), machine("K-08", advise.Fit))
	s.policy = judged(0.8, 0, 1)
	s.view.Machines[0].Due = &advise.Due{Reason: advise.StartOfDay}
	list := s.step(7 * hour)
	require.Len(t, list, 1)
	assert.Contains(t, list[0].Body, "Service soon alerts are not sent")
	assert.Contains(t, list[0].Body, "1 more machine must be calibrated before the first splice")
}

// A check that is due makes no message of its own: it is in the morning list,
// with its reason. It does not hide electrodes that are due as well.
func TestADueCheckIsInTheListOnly(t *testing.T) {
	m := machine("K-07", advise.CheckFirst)
	m.Due = &advise.Due{Reason: advise.ElectrodeWork, Since: monday}
	s := begin(t, m)
	assert.Empty(t, s.at(6*hour))
	assert.Empty(t, s.at(8*hour))
	require.Len(t, s.state.Cases, 1)
	assert.Equal(t, "K-07: Calibrate before the next splice (electrodes serviced)", s.state.Cases[0].What)

	s.view.Machines[0].Electrode.Action, s.view.Machines[0].Electrode.ActBy = advise.Replace, drift.Some("2026-03-20")
	s.at(9 * hour)
	assert.Equal(t, []string{"alert electrode-service K-07 → bench"}, s.at(24*hour+7*hour+time.Minute), "a service that is due is sent although a check is due too")
}
