package fleet_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/synth"
)

// TestDemoShowsWhatItPromises asks for the contractor of the demo as it
// stands when the demo begins, in all seasons and at all hours.
func TestDemoShowsWhatItPromises(t *testing.T) {
	for _, now := range []time.Time{
		time.Date(2026, 1, 14, 9, 0, 0, 0, time.UTC),
		time.Date(2026, 4, 5, 3, 0, 0, 0, time.UTC),
		time.Date(2026, 7, 20, 15, 0, 0, 0, time.UTC),
		time.Date(2026, 11, 25, 23, 0, 0, 0, time.UTC),
	} {
		t.Run(now.Format(time.RFC3339), func(t *testing.T) {
			s := synth.Open(1, now)
			book := newMemoryReader(s.History)
			all, err := fleet.Replay(book, "", now, drift.Opt[time.Time]{})
			require.NoError(t, err)
			state := map[synth.Role]advise.State{}
			role := s.Roles()
			for i := range all {
				a := &all[i]
				state[role[a.Machine]] = a.State
				switch role[a.Machine] {
				case synth.BluntEnds:
					require.NotEmpty(t, a.Streak.Cause)
					assert.Equal(t, advise.CauseEnds, a.Streak.Cause[0].Cause)
				case synth.SaysLittle:
					assert.Equal(t, advise.PassFail, a.Data.Grade)
				case synth.JustCleaned:
					assert.Positive(t, a.Electrode.Cleanings)
				}
			}
			assert.Equal(t, advise.ServiceSoon, state[synth.WearingOut])
			assert.Equal(t, advise.CheckFirst, state[synth.BluntEnds])
			assert.Equal(t, advise.NoData, state[synth.Silent])
			assert.Equal(t, advise.Fit, state[synth.SaysLittle])
			assert.Equal(t, advise.Fit, state[synth.Newcomer])

			home := s.Home()
			for machine, r := range role {
				if r == synth.UpTheHill {
					answer, err := fleet.NewAnswers(book, func() time.Time { return now }).Move(advise.Move{
						Machine: machine, AsOf: now, Temperature: drift.Some(home.TemperatureC),
						Humidity: drift.Some(home.HumidityPct), Altitude: drift.Some(home.AltitudeM),
					})
					require.NoError(t, err)
					assert.Equal(t, advise.Recalibrate, answer.Answer)
				}
			}
		})
	}
}
