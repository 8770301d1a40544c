package advise_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// The swap of the cleaver comes before a new pair while the ends may be the cause, and
// not where two cleavers have failed.
func TestStepsPutTheCheapTestFirst(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	streak := func(ends, electrodes, air float64) advise.Assessment {
		return advise.Assessment{State: advise.CheckFirst, Streak: advise.Streak{Attempts: 4, Sessions: 1,
			Cause: []advise.Cause{{Cause: "ends", Probability: ends}, {Cause: "electrodes", Probability: electrodes}, {Cause: "air", Probability: air}}},
			Electrode: advise.Electrode{Action: advise.Replace, ActBy: drift.Some("2026-03-05")}}
	}
	a := streak(0.3, 0.65, 0.05)
	steps := a.Steps(now)
	assert.Equal(t, []string{advise.CauseTest("ends"), "If it fails again, replace the electrodes by Thu 5 Mar."}, steps)
	assert.True(t, a.TestsEnds())

	a = streak(0.02, 0.96, 0.02)
	a.State = advise.Stop
	assert.Equal(t, []string{"Give the crew another machine.", "Before any work, calibrate once and log the result as found.", "Replace the electrodes by Thu 5 Mar.", "Afterwards calibrate again and log the service with what you found."}, a.Steps(now))
	assert.False(t, a.TestsEnds())

	a = streak(0.2, 0.3, 0.5)
	a.Electrode.Action = advise.None
	assert.Equal(t, []string{advise.CauseTest("ends"), advise.CauseTest("air"), "If it fails again, the bench inspects the electrodes."}, a.Steps(now))
}

func TestStepsWithoutAStreak(t *testing.T) {
	now := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	for want, a := range map[string]advise.Assessment{
		"":                                   {State: advise.Fit},
		"Calibrate before the first splice.": {State: advise.Fit, Due: &advise.Due{Reason: advise.StartOfDay}},
		"Find the machine. Ask whether it was used.|Calibrate it and log the result.": {State: advise.NoData},
		"Calibrate with fresh ends before the next splice.":                           {State: advise.CheckFirst, Due: &advise.Due{Reason: advise.Moved}},
		"Before any work, calibrate once and log the result as found.|Clean the electrodes by Thu 5 Mar.|Afterwards calibrate again and log the service with what you found.": {State: advise.ServiceSoon, Electrode: advise.Electrode{Action: advise.Clean, ActBy: drift.Some("2026-03-05")}},
		"Book a service by Thu 5 Mar.": {State: advise.ServiceSoon, Electrode: advise.Electrode{ActBy: drift.Some("2026-03-05")}},
	} {
		assert.Equal(t, want, strings.Join(a.Steps(now), "|"))
	}
}
