package synth

import (
	"crypto/sha256"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

var monday = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// world returns the named world, to be changed at will.
func world(t testing.TB, name string) World {
	t.Helper()
	w, ok := WorldNamed(name)
	require.True(t, ok, name)
	return w
}

func digest(records []drift.Record) [32]byte {
	var b []byte
	for i := range records {
		b = append(records[i].AppendCanonical(b), '\n')
	}
	return sha256.Sum256(b)
}

func TestSameSeedSameFleet(t *testing.T) {
	for _, w := range Worlds() {
		a, b := Make(w, 3, 8, monday, 40), Make(w, 3, 8, monday, 40)
		assert.Equal(t, digest(a.Records), digest(b.Records), w.Name)
		assert.Equal(t, a.Truth, b.Truth, w.Name)
		assert.NotEqual(t, digest(a.Records), digest(Make(w, 4, 8, monday, 40).Records), w.Name)
	}
}

func TestMoreDaysOrMachinesChangeNothingBefore(t *testing.T) {
	w := world(t, "straight")
	small, large := Make(w, 3, 5, monday, 30), Make(w, 3, 9, monday, 60)
	for _, m := range small.Truth.Machines {
		longer := large.Truth.Machine(m.Name)
		require.NotNil(t, longer)
		assert.Equal(t, m.Attempts, longer.Attempts[:len(m.Attempts)])
	}
	assert.Nil(t, small.Truth.Machine("M-00009"))
}

func TestRecordsAreWhatSendersPublish(t *testing.T) {
	for _, w := range Worlds() {
		f := Make(w, 5, 12, monday, 120)
		ids := map[string]bool{}
		perMachine := map[string][]drift.Entry{}
		for i := range f.Records {
			r := &f.Records[i]
			require.NoError(t, r.Check(), w.Name)
			require.False(t, ids[r.ID], "%s: id %s twice", w.Name, r.ID)
			ids[r.ID] = true
			if i > 0 {
				require.False(t, r.Time.Before(f.Records[i-1].Time), "%s: time falls", w.Name)
			}
			perMachine[r.Machine] = append(perMachine[r.Machine], drift.Entry{Record: *r})
		}
		for _, m := range f.Truth.Machines {
			entries := perMachine[m.Name]
			ordered := append([]drift.Entry(nil), entries...)
			drift.Order(ordered)
			assert.Equal(t, entries, ordered, "%s %s: published in order", w.Name, m.Name)
			assert.Equal(t, len(m.Sessions), sessions(entries), "%s %s: the house finds the sessions", w.Name, m.Name)
			for _, a := range m.Attempts {
				require.True(t, ids[a.Record], "%s: attempt without a record", w.Name)
			}
		}
	}
}

func sessions(entries []drift.Entry) int {
	var s drift.Sessions
	count := 0
	for i := range entries {
		if place, ok := s.Next(&entries[i]); ok && place.New {
			count++
		}
	}
	return count
}

func TestGradesTellWhatTheyMay(t *testing.T) {
	f := Make(world(t, "straight"), 1, 60, monday, 10)
	count := map[Grade]int{}
	for _, m := range f.Truth.Machines {
		count[m.Grade]++
		assert.False(t, m.Typed && m.Grade != PassFail)
	}
	// Evenly spread: 55, 25 and 20 % of 60 are 33, 15 and 12; golden-ratio steps
	// vary by about one.
	assert.InDelta(t, 33, count[Full], 2)
	assert.InDelta(t, 15, count[Correction], 2)
	assert.InDelta(t, 12, count[PassFail], 2)
	for i := range f.Records {
		c := f.Records[i].Calibration
		if c == nil {
			continue
		}
		m := f.Truth.Machine(f.Records[i].Machine)
		full, says := m.Grade == Full, m.Grade != PassFail
		assert.Equal(t, full, c.MeltbackLeft.Known() && c.MeltbackRight.Known() && c.Target.Known() && c.Tolerance.Known() && c.PowerSetting.Known() && c.PowerLimit.Known())
		assert.Equal(t, full, c.MeltbackLeft.Known() || c.PowerSetting.Known())
		assert.Equal(t, says, c.PowerCorrection.Known())
		assert.Equal(t, m.Typed, c.Attempts.Known())
		assert.Equal(t, !m.Typed, c.Attempt.Known())
	}
}

// quiet takes all chance out of attempts but the lean of the ends.
func quiet(w World) World {
	w.Models = append([]Model(nil), w.Models...)
	for i := range w.Models {
		m := &w.Models[i]
		m.Scatter, m.DirtRate, m.Wander, m.NewScatter = 1e-9, 0, 0, 0
	}
	w.Ends = Ends{BluntEvery: math.Inf(1), BluntDays: 1}
	return w
}

func TestRequiredPowerComesBackFromQuietAttempts(t *testing.T) {
	w := quiet(world(t, "thin-air"))
	w.Grades = Mix{Full: 1}
	f := Make(w, 2, 10, monday, 60)
	byID := map[string]*drift.Calibration{}
	for i := range f.Records {
		if c := f.Records[i].Calibration; c != nil {
			byID[f.Records[i].ID] = c
		}
	}
	pairs := 0
	for _, m := range f.Truth.Machines {
		var before *drift.Calibration
		for _, a := range m.Attempts {
			c := byID[a.Record]
			s, power := meltback(c), math.Log1p(a.SettingPct/100)
			// Melt-back is given to 0.1 µm of about 300: 0.02 % of power.
			r := 100 * (math.Exp(power-math.Log(s/m.Model.Target)/m.Kappa) - 1)
			true100 := 100 * ((1+a.RequiredPct/100)*(1+a.AirPct/100) - 1)
			require.InDelta(t, true100, r, 0.04)
			if a.Number > 1 {
				step := power - math.Log1p(before.PowerSetting.Or(0)/100)
				if math.Abs(step) > 0.02 {
					pairs++
					// Rounding of two melt-backs over a step of 2 %.
					assert.InDelta(t, m.Kappa, math.Log(s/meltback(before))/step, 0.04)
				}
			}
			before = c
		}
	}
	assert.Greater(t, pairs, 30, "enough sessions with two settings")
}

func meltback(c *drift.Calibration) float64 {
	return (c.MeltbackLeft.Or(0) + c.MeltbackRight.Or(0)) / 2
}

func TestMachinesCorrectAsTheirFirmwareDoes(t *testing.T) {
	w := world(t, "firmware")
	w.Grades = Mix{Full: 1}
	f := Make(w, 2, 20, monday, 180)
	for _, m := range f.Truth.Machines {
		gains := map[bool][]float64{} // of fails, by whether firmware is new
		for i := range f.Records {
			r := &f.Records[i]
			if r.Machine != m.Name || r.Calibration == nil || r.Calibration.Passed.Or(true) {
				continue
			}
			c := r.Calibration
			set, change := c.PowerSetting.Or(0), c.PowerCorrection.Or(0)
			wanted := 100*((1+set/100)*math.Pow(meltback(c)/m.Model.Target, -1/m.Model.BelievedKappa)-1) - set
			if math.Abs(set+change) < m.Model.Limit-0.05 {
				isNew := r.Time.Sub(monday) >= time.Duration(m.Model.FirmwareDay)*24*time.Hour
				gains[isNew] = append(gains[isNew], change/wanted)
			}
			assert.LessOrEqual(t, math.Abs(set+change), m.Model.Limit+1e-9)
		}
		// A correction is given to 0.05 % of at least 3 %.
		for isNew, want := range map[bool]float64{false: m.Model.Gain, true: m.Model.FirmwareGain} {
			for _, g := range gains[isNew] {
				require.InDelta(t, want, g, 0.02)
			}
		}
	}
}

// A fleet whose mornings have fewer checks does the same work; every day is as no rule.
func TestChecksEverySoManyDays(t *testing.T) {
	t.Parallel()
	mornings := func(every int) (checks, days int) {
		w := world(t, "healthy")
		w.CheckEvery, w.MoveRate, w.Splices = every, 0, 1
		for _, m := range Make(w, 5, 8, monday, 90).Truth.Machines {
			days += len(m.Work)
			for _, s := range m.Sessions {
				if s.Trigger == "start-of-day" {
					checks++
				}
			}
		}
		return checks, days
	}
	all, days := mornings(0)
	same, _ := mornings(1)
	some, worked := mornings(3)
	assert.Equal(t, all, same)
	assert.InDelta(t, float64(all)/3, float64(some), 0.1*float64(all))
	assert.Equal(t, days, worked)
}
