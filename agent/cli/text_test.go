package cli

import (
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// evening is now in these tests.
var evening = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

func TestAssessText(t *testing.T) {
	known := drift.Some[float64]
	oslo, err := time.LoadLocation("Europe/Oslo")
	require.NoError(t, err)
	env := &Env{Zone: oslo}
	all := []advise.Assessment{{
		Machine: "K-07", AsOf: evening, State: advise.ServiceSoon, Reasons: []string{"Needs more power every day.", "Half of it since Monday."},
		Data:  advise.Data{Grade: advise.Full, Records: 412, Last: drift.Some(evening)},
		Drift: advise.Drift{RequiredPower: known(4.1), SD: known(0.4), Per1000Arcs: known(3.3), Per1000ArcsSD: known(0.5)},
		Electrode: advise.Electrode{Arcs: drift.Some(int64(1840)), ToFailure: &advise.Quantiles{P10: 220, P50: 610, P90: 6000}, HorizonArcs: 6000,
			Action: advise.Clean, ActBy: drift.Some("2026-03-05")},
		Streak: advise.Streak{Attempts: 2, Cause: []advise.Cause{{Cause: advise.CauseEnds, Probability: 0.7}}},
	}, {Machine: "K-01", AsOf: evening, State: advise.Fit, Electrode: advise.Electrode{Action: advise.None}}}

	var table strings.Builder
	require.NoError(t, assessTable(env, &table, all))
	assert.Contains(t, table.String(), "Service soon  K-07     +4.1 ± 0.5 %    610 (220 to over 6,000)  2 Mar 2026, 19:00 CET  Needs more power every day.\n")
	assert.Contains(t, table.String(), "Fit           K-01     not known       not known                not known  ")
	assert.Contains(t, table.String(), "Switch the machine off", "where somebody may open a machine, the cautions stand")

	var one strings.Builder
	require.NoError(t, assessOne(env, &one, &all[0]))
	for _, say := range []string{"K-07: service soon", "Half of it since Monday.", "+3.3 ± 0.6 %", "(as of 2 Mar 2026, 19:00 CET)", "Clean the electrodes by Thu 5 Mar.", "Failing because of fibre ends: about 7 in 10", "Switch the machine off"} {
		assert.Contains(t, one.String(), say)
	}
	one.Reset()
	require.NoError(t, assessOne(env, &one, &all[1]))
	assert.NotContains(t, one.String(), "unplugged")

	var csv strings.Builder
	require.NoError(t, assessCSV(&csv, all))
	lines := strings.Split(strings.TrimSpace(csv.String()), "\n")
	require.Len(t, lines, 3)
	assert.Equal(t, "K-07,,2026-03-02T18:00:00Z,service-soon,Needs more power every day. Half of it since Monday.,full,412,2026-03-02T18:00:00Z,0,4.1,0.4,3.3,0.5,,,,2,0,1840,,220,610,6000,clean,2026-03-05,,,", lines[1])

	var none strings.Builder
	require.NoError(t, assessTable(env, &none, nil))
	assert.Contains(t, none.String(), "No machine is known yet")
}

// A pair that outlives the horizon nine times in ten needs no range.
func TestArcsBeyondTheHorizonAreSaidOnce(t *testing.T) {
	a := advise.Assessment{Electrode: advise.Electrode{HorizonArcs: 6000, ToFailure: &advise.Quantiles{P10: 6000, P50: 6000, P90: 6000}}}
	assert.Equal(t, "over 6,000", arcsText(&a))
}

func TestSiteCheckText(t *testing.T) {
	known := drift.Some[float64]
	a := advise.MoveAnswer{Machine: "K-07", AsOf: evening, Answer: advise.Wait, WaitMinutes: drift.Some(25), Reasons: []string{"It is colder than the air's dew point."},
		ProbabilityOut: known(0.63), ExpectedShift: known(3.2), SD: known(0.9), DewPoint: known(9.1), Evidence: advise.ThisMachine, Cost: advise.Cost{CheckMinutes: 5, OutMinutes: 60}}
	var b strings.Builder
	require.NoError(t, siteText(&b, &a))
	assert.Equal(t, `K-07: Wait 25 minutes with the lid shut, then recalibrate.
  It is colder than the air's dew point.
  The air changes the required power by +3.2 ± 1.2 %, 8 times in 10.
  Dew point 9.1 °C.
`, b.String())
	a.WaitMinutes = drift.Opt[int]{}
	b.Reset()
	require.NoError(t, siteText(&b, &a))
	assert.Contains(t, b.String(), "Wait until the machine is warm and dry, then recalibrate")
}
