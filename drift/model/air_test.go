package model

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/air"
)

// mountain has the events of a machine that works in a valley and, now and then, on a cold
// mountain. Required power follows density alone, by 0.4. A machine that is not told the
// pressure reports the temperature only.
func mountain(pressure bool, seed uint64, sessions int) []Event {
	const valley, top, density = 200.0, 2200.0, 0.4
	rng := rand.New(rand.NewPCG(seed, 5))
	var r Reader
	var out []Event
	setting, height := 0.0, valley
	for i := range sessions {
		if i%6 == 5 {
			height = valley + top - height
		}
		warm := 20 - 0.0065*(height-valley) + 2*rng.NormFloat64()
		truly := Regressors(warm, 50, air.PressureAt(height), warm)
		off := density*truly[0] + 0.8*rng.NormFloat64() - setting
		moved := 0.0
		if math.Abs(off) > 3 {
			moved = 0.8 * off
		}
		meltback := drift.Some(200 * math.Exp(-2*off/100))
		c := &drift.Calibration{
			Passed: drift.Some(moved == 0), PowerSetting: drift.Some(Pct(setting)), PowerCorrection: drift.Some(Pct(setting+moved) - Pct(setting)),
			MeltbackLeft: meltback, MeltbackRight: meltback, Target: drift.Some(200.0), Tolerance: drift.Some(12.0),
			Temperature: drift.Some(warm), Humidity: drift.Some(50.0),
		}
		if pressure {
			c.Altitude = drift.Some(height)
		}
		e := drift.Entry{}
		e.Site = map[float64]string{valley: "Mill Lane", top: "Raven Ridge"}[height]
		e.Type, e.Calibration, e.Time, e.ArcCount = drift.TypeCalibration, c, morning.AddDate(0, 0, i), drift.Some(int64(30*(i+1)))
		ev, ok := r.Next(&e)
		if !ok {
			panic("a calibration is an event")
		}
		out = append(out, ev)
		setting += moved
	}
	return out
}

// High places are cold. Machines that report the temperature but not the height make
// thin air look like a large effect of the temperature, of the wrong sign: the kind's
// effects come from those that report both.
func TestEffectsOfTheAirComeFromMachinesThatReportIt(t *testing.T) {
	var s Sample
	for i := range 12 {
		name := string(rune('a' + i))
		s.Enrol(History{Machine: name, Key: Key{Model: "m"}, Events: mountain(i < 4, uint64(i), 60)})
	}
	p := s.Learn().For(Key{Model: "m"})
	assert.InDelta(t, 0.4, p.Air[0], 0.1)
}

// What a machine never reports of the air is in its level: a place is compared with the
// air of its records as far as they go, and the rest is doubt.
func TestPlaceIsAsTheRecordsWouldReportIt(t *testing.T) {
	p := believed()
	p.PlaceSpread = 3
	of := func(never AirParts) *Machine {
		m := NewMachine("K-07", p)
		for _, ev := range newFake(p, 3).session(Full, 30) {
			ev.NeverTold = never
			m.Update(&ev)
		}
		return m
	}
	whole := of(AirParts{}).Place(10, 80, 780, 12)
	assert.Equal(t, Place{Air: Regressors(10, 80, 780, 12)}, whole)

	m := of(AirParts{Humidity: true, Pressure: true})
	there := m.Place(10, 80, 780, 12)
	assert.Equal(t, Regressors(10, TypicalHumidity, air.ReferencePressureHPa, 12), there.Air)
	assert.Positive(t, there.Doubt)
	assert.Greater(t, m.OutChanceIn(there, 0), m.OutChanceIn(Place{Air: there.Air}, 0), "doubt counts")

	m = of(AirParts{Temperature: true, Humidity: true, Pressure: true})
	require.Equal(t, m.air, m.Place(10, 80, 780, 12).Air)
	assert.Greater(t, m.Place(10, 80, 780, 12).Doubt, there.Doubt)
}

// The reader says what no record so far has reported.
func TestReaderKnowsWhatWasNeverTold(t *testing.T) {
	told, never := mountain(true, 1, 3), mountain(false, 1, 3)
	assert.Equal(t, AirParts{}, told[0].NeverTold)
	assert.Equal(t, AirParts{Pressure: true}, never[2].NeverTold)
}

// A machine that names its site, but reports neither height nor pressure, stands where others
// report them: what it needs at reference air is not what it needs on the mountain.
func TestAMachineStandsAsHighAsItsSite(t *testing.T) {
	learnFrom := func(told, mixed bool) *Machine {
		s := Sample{Mixed: mixed}
		for i := range 6 {
			s.Enrol(History{Machine: string(rune('a' + i)), Key: Key{Model: "m"}, Events: mountain(told, uint64(i), 60)})
		}
		untold := mountain(false, 9, 60)[:59] // it ends on the mountain
		s.Enrol(History{Machine: "K-07", Key: Key{Model: "m"}, Events: untold})
		m := NewMachine("K-07", s.Learn().For(Key{Model: "m"}))
		for i := range untold {
			m.Update(&untold[i])
		}
		return m
	}
	m := learnFrom(true, false)
	level, _ := m.Level()
	assert.InDelta(t, 0, level, 1.5)
	assert.False(t, m.NeverTold().Pressure)
	valley := m.Place(20, 50, air.PressureAt(200), 20)
	assert.Zero(t, valley.Doubt)
	assert.Greater(t, m.OutChanceIn(valley, 0), 0.9, "set for the mountain, 8 % above what the valley needs")

	m = learnFrom(true, true)
	assert.True(t, m.NeverTold().Pressure, "the site of that name may be another customer's")

	m = learnFrom(false, false)
	assert.True(t, m.NeverTold().Pressure, "nobody tells how high the site is")
	assert.Positive(t, m.Place(20, 50, air.PressureAt(200), 20).Doubt)
}

// A name that means several places, and one with hardly any readings, tell no height.
func TestHeightsOfSites(t *testing.T) {
	at := func(site string, hPa ...float64) (h History) {
		for _, p := range hPa {
			h.Events = append(h.Events, Event{Kind: Attempt, NewSession: true, Site: site, Thin: thinness(p)})
		}
		return h
	}
	sites := sitesOf([]History{at("Mill Lane", 985, 990, 995), at("Mill Lane", 991, 988), at("yard", 1013, 760, 1010, 765), at("Raven Ridge", 760, 765), at("", 900, 900, 900)})
	assert.Len(t, sites, 1)
	assert.InDelta(t, thinness(990), sites["Mill Lane"], 1e-9)
}
