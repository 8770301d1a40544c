package model

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/air"
)

var morning = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// calibrated is a passed attempt on some day, changed as given.
func calibrated(day int, change ...func(*drift.Entry)) *drift.Entry {
	e := &drift.Entry{Record: drift.Record{
		Type: drift.TypeCalibration, Machine: "K-07", Time: morning.AddDate(0, 0, day),
		Calibration: &drift.Calibration{Passed: drift.Some(true)},
	}}
	for _, c := range change {
		c(e)
	}
	return e
}

func service(day int, action drift.Action, change ...func(*drift.Entry)) *drift.Entry {
	e := &drift.Entry{Record: drift.Record{
		Type: drift.TypeService, Machine: "K-07", Time: morning.AddDate(0, 0, day), Service: &drift.Service{Action: action},
	}}
	for _, c := range change {
		c(e)
	}
	return e
}

func usage(day int, arcs int64) *drift.Entry {
	return &drift.Entry{Record: drift.Record{
		Type: drift.TypeUsage, Machine: "K-07", Time: morning.AddDate(0, 0, day), ArcCount: drift.Some(arcs),
	}}
}

func counted(arcs int64) func(*drift.Entry) {
	return func(e *drift.Entry) { e.ArcCount = drift.Some(arcs) }
}

func failed(e *drift.Entry) { e.Calibration.Passed = drift.Some(false) }

// read understands entries with the usual settings.
func read(entries ...*drift.Entry) []Event {
	var setups drift.Setups
	r := Reader{Settings: setups.For("K-07", "", "")}
	var out []Event
	for _, e := range entries {
		if ev, ok := r.Next(e); ok {
			out = append(out, ev)
		}
	}
	return out
}

// step is what the counter cases are about.
type counterStep struct {
	kind       Kind
	pair       int
	arcs, step float64
}

func TestReaderFollowsTheCounter(t *testing.T) {
	for name, c := range map[string]struct {
		entries []*drift.Entry
		want    []counterStep
	}{
		"reset at the replacement": {
			[]*drift.Entry{calibrated(0, counted(2000)), service(1, drift.Replaced, counted(0)), calibrated(2, counted(30))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Replaced, 1, 0, 0}, {Attempt, 1, 30, 30}},
		},
		"not reset at the replacement": {
			[]*drift.Entry{calibrated(0, counted(2000)), service(1, drift.Replaced), calibrated(2, counted(2030)), calibrated(3, counted(2050))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Replaced, 1, 0, 0}, {Attempt, 1, 30, 30}, {Attempt, 1, 50, 20}},
		},
		"not reset, and the bench read it": {
			[]*drift.Entry{calibrated(0, counted(2000)), service(1, drift.Replaced, counted(2010)), calibrated(2, counted(2030))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Replaced, 1, 0, 0}, {Attempt, 1, 20, 20}},
		},
		"kept once, then reset": {
			[]*drift.Entry{calibrated(0, counted(2000)), service(1, drift.Replaced), calibrated(2, counted(2030)), service(3, drift.Replaced), calibrated(4, counted(8))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Replaced, 1, 0, 0}, {Attempt, 1, 30, 30}, {Replaced, 2, 0, 0}, {Attempt, 2, 8, 8}},
		},
		"fallen without a record": {
			[]*drift.Entry{calibrated(0, counted(2000)), calibrated(1, counted(40)), calibrated(2, counted(60))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Attempt, 1, 40, 40}, {Attempt, 1, 60, 20}},
		},
		"fallen, shown by usage": {
			[]*drift.Entry{calibrated(0, counted(2000)), usage(1, 40), calibrated(2, counted(60))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Unlogged, 1, 40, 40}, {Attempt, 1, 60, 20}},
		},
		"a small slip back": {
			[]*drift.Entry{calibrated(0, counted(2000)), calibrated(1, counted(1900)), calibrated(2, counted(2010))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Attempt, 0, 2000, 0}, {Attempt, 0, 2010, 10}},
		},
		"at half it is still a slip": {
			[]*drift.Entry{calibrated(0, counted(2000)), calibrated(1, counted(1000)), calibrated(2, counted(999))},
			[]counterStep{{Attempt, 0, 2000, 2000}, {Attempt, 0, 2000, 0}, {Attempt, 1, 999, 999}},
		},
		"a digit too many": {
			[]*drift.Entry{calibrated(0, counted(1200)), calibrated(1, counted(12100)), calibrated(2, counted(1220))},
			[]counterStep{{Attempt, 0, 1200, 1200}, {Attempt, 0, 1200, 0}, {Attempt, 0, 1220, 20}},
		},
		"a leap that the next reading bears out": {
			[]*drift.Entry{calibrated(0, counted(1200)), usage(1, 9000), calibrated(2, counted(9020))},
			[]counterStep{{Attempt, 0, 1200, 1200}, {Usage, 0, 1200, 0}, {Attempt, 0, 9020, 7820}},
		},
		"a long time without a word is no leap": {
			[]*drift.Entry{calibrated(0, counted(1200)), calibrated(3, counted(9000))},
			[]counterStep{{Attempt, 0, 1200, 1200}, {Attempt, 0, 9000, 7800}},
		},
		"usage in between": {
			[]*drift.Entry{usage(0, 100), calibrated(1, counted(110)), usage(2, 180)},
			[]counterStep{{Usage, 0, 100, 100}, {Attempt, 0, 110, 10}, {Usage, 0, 180, 70}},
		},
		"no counter at all: attempts are counted, and quiet days": {
			[]*drift.Entry{calibrated(0), calibrated(1, func(e *drift.Entry) { e.Calibration.Attempts = drift.Some(int64(3)) }), service(2, drift.Replaced), calibrated(3)},
			[]counterStep{{Attempt, 0, 1, 1}, {Attempt, 0, 44, 43}, {Replaced, 1, 0, 0}, {Attempt, 1, 41, 41}},
		},
		"no counter at all: of a long rest a week counts": {
			[]*drift.Entry{calibrated(0), calibrated(200)},
			[]counterStep{{Attempt, 0, 1, 1}, {Attempt, 0, 282, 281}},
		},
		"no counter at first": {
			[]*drift.Entry{calibrated(0), calibrated(1), calibrated(2, counted(30)), calibrated(3)},
			[]counterStep{{Attempt, 0, 1, 1}, {Attempt, 0, 42, 41}, {Attempt, 0, 30, 0}, {Attempt, 0, 31, 1}},
		},
		"missing now and then": {
			[]*drift.Entry{calibrated(0, counted(500)), calibrated(1), calibrated(2, counted(520))},
			[]counterStep{{Attempt, 0, 500, 500}, {Attempt, 0, 501, 1}, {Attempt, 0, 520, 19}},
		},
		"cleaned and inspected leave the pair": {
			[]*drift.Entry{calibrated(0, counted(500)), service(1, drift.Cleaned), service(2, drift.Inspected, counted(510))},
			[]counterStep{{Attempt, 0, 500, 500}, {Cleaned, 0, 500, 0}, {Inspected, 0, 510, 10}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			var got []counterStep
			for _, ev := range read(c.entries...) {
				got = append(got, counterStep{ev.Kind, ev.Pair, ev.Arcs, ev.Step})
			}
			assert.Equal(t, c.want, got)
		})
	}
}

func TestReaderPassesOverWhatSaysNothingOfTheArc(t *testing.T) {
	splice := &drift.Entry{Record: drift.Record{Type: drift.TypeSplice, Machine: "K-07", Splice: &drift.Splice{Count: drift.Some(int64(12))}}}
	setup := &drift.Entry{Record: drift.Record{Type: drift.TypeSetup, Machine: "K-07", Setup: &drift.Setup{Scope: drift.ScopeMachine}}}
	assert.Empty(t, read(splice, setup))
}

func TestReaderConditioning(t *testing.T) {
	// Twenty arcs by default; the arc at the bound is the last of them. A service
	// is never conditioning, and without a counter the first arcs are unknown.
	var got []bool
	for _, ev := range read(calibrated(0, counted(2000)), service(1, drift.Replaced, counted(0)), service(1, drift.Inspected, counted(5)),
		calibrated(2, counted(19)), calibrated(3, counted(20)), calibrated(4, counted(21))) {
		got = append(got, ev.Conditioning)
	}
	assert.Equal(t, []bool{false, false, false, true, true, false}, got)
	assert.False(t, read(calibrated(0))[0].Conditioning)
}

func TestReaderSessions(t *testing.T) {
	at := func(minutes int, change ...func(*drift.Entry)) *drift.Entry {
		e := calibrated(0, change...)
		e.Time = morning.Add(time.Duration(minutes) * time.Minute)
		return e
	}
	type attempt struct {
		new     bool
		ordinal int64
		tries   int64
	}
	var got []attempt
	whole := func(e *drift.Entry) { e.Calibration.Attempts = drift.Some(int64(3)) }
	for _, ev := range read(at(0, failed), at(4, failed), at(8), at(12, failed), at(80, failed), at(90, whole)) {
		got = append(got, attempt{ev.NewSession, ev.Ordinal, ev.Tries})
	}
	assert.Equal(t, []attempt{{true, 1, 1}, {false, 2, 1}, {false, 3, 1}, {true, 1, 1}, {true, 1, 1}, {true, 3, 3}}, got)
}

func TestReaderNumbers(t *testing.T) {
	numbers := func(change func(*drift.Calibration)) Event {
		return read(calibrated(0, func(e *drift.Entry) { change(e.Calibration) }))[0]
	}
	some := drift.Some[float64]
	full := func(c *drift.Calibration) {
		c.MeltbackLeft, c.MeltbackRight, c.Target, c.Tolerance = some(90), some(100), some(100), some(10)
		c.PowerSetting, c.PowerCorrection, c.PowerLimit = some(10), some(2), some(12.5)
	}
	ev := numbers(full)
	assert.InDelta(t, 100*math.Log(0.95), ev.Melt.Or(0), 1e-12, "the mean of both ends")
	assert.InDelta(t, 100*math.Log(0.9), ev.Side.Or(0), 1e-12)
	assert.InDelta(t, 100*math.Log(1.1), ev.Setting.Or(0), 1e-12)
	assert.InDelta(t, 100*math.Log(1.12), ev.Next.Or(0), 1e-12)
	assert.False(t, ev.Clipped)
	assert.Equal(t, Full, gradeOf(&ev))

	one := numbers(func(c *drift.Calibration) { full(c); c.MeltbackRight = drift.Opt[float64]{} })
	assert.InDelta(t, 100*math.Log(0.9), one.Melt.Or(0), 1e-12, "one end counts for both")
	assert.False(t, one.Side.Known())

	for _, c := range []struct {
		setting, correction float64
		clipped             bool
	}{{10, 2.5, true}, {10, 2.4, false}, {-10, -2.5, true}, {12.5, 0, true}, {-12.46, 0, true}, {12, 0.46, true}, {12.5, -1, false}} {
		ev := numbers(func(k *drift.Calibration) {
			full(k)
			k.PowerSetting, k.PowerCorrection = some(c.setting), some(c.correction)
		})
		assert.Equal(t, c.clipped, ev.Clipped, "%+v", c)
	}

	// The correction of a whole session is the sum of them all. Its last attempt
	// was made at 10 %, which the corrections before have led to already.
	whole := numbers(func(c *drift.Calibration) { full(c); c.Attempts = drift.Some(int64(3)) })
	assert.False(t, whole.Correction.Known() || whole.Next.Known() || whole.Clipped)
	assert.Equal(t, some(2), whole.Moved)
	assert.InDelta(t, 100*math.Log(1.1), whole.Setting.Or(0), 1e-12)
	assert.Equal(t, Full, gradeOf(&whole))
	// At the limit in its last attempt, the limit may have cut a correction before.
	stuck := numbers(func(c *drift.Calibration) {
		full(c)
		c.Attempts, c.PowerSetting = drift.Some(int64(3)), some(12.5)
	})
	assert.True(t, stuck.Clipped)

	unknown := numbers(func(c *drift.Calibration) { full(c); c.PowerSetting = drift.Opt[float64]{} })
	assert.False(t, unknown.Setting.Known() || unknown.Next.Known() || unknown.Clipped)
	assert.Equal(t, CorrectionOnly, gradeOf(&unknown))
	bare := numbers(func(*drift.Calibration) {})
	assert.False(t, bare.Melt.Known() || bare.Correction.Known())
	assert.Equal(t, PassFail, gradeOf(&bare))

	// What a record does not state, the settings do.
	r := Reader{Settings: drift.Settings{Target: some(200), Tolerance: some(20), Limit: some(9)}}
	ev, ok := r.Next(calibrated(0, func(e *drift.Entry) { e.Calibration.MeltbackLeft = some(200) }))
	require.True(t, ok)
	assert.Equal(t, [3]drift.Opt[float64]{some(200), some(20), some(9)}, [3]drift.Opt[float64]{ev.Target, ev.Tolerance, ev.Limit})
	assert.Equal(t, some(0), ev.Melt)
}

func TestReaderAir(t *testing.T) {
	some := drift.Some[float64]
	airs := func(changes ...func(*drift.Calibration)) []Event {
		var entries []*drift.Entry
		for i, c := range changes {
			entries = append(entries, calibrated(i, func(e *drift.Entry) { c(e.Calibration) }))
		}
		return read(entries...)
	}
	reference := airs(func(c *drift.Calibration) {
		c.Temperature, c.Humidity, c.Pressure = some(20), some(63.8), some(1013)
	})[0]
	// 11 g/m³ at 20 °C is 63.8 % (216.68·e/T with e by the Magnus form of WMO-No. 8).
	assert.InDeltaSlice(t, []float64{0, 0, 0}, reference.Air[:], 0.01)

	// δ at 795 hPa and 10 °C is 0.812529 (IEC 60060-1:2010, 4.3, worked value).
	thin := airs(func(c *drift.Calibration) { c.Temperature, c.Pressure = some(10), some(795) })[0]
	assert.InDelta(t, -100*math.Log(0.812529), thin.Air[0], 1e-4)
	assert.InDelta(t, -1, thin.Air[2], 1e-12, "tens of degrees above 20 °C")

	both := airs(func(c *drift.Calibration) { c.Temperature, c.Pressure, c.Altitude = some(10), some(795), some(0) })[0]
	assert.Equal(t, thin.Air, both.Air, "station pressure wins over altitude")
	high := airs(func(c *drift.Calibration) { c.Temperature, c.Altitude = some(10), some(air.AltitudeAt(795)) })[0]
	assert.InDelta(t, thin.Air[0], high.Air[0], 1e-9)
	typical := airs(func(c *drift.Calibration) {
		c.Temperature, c.Pressure, c.Humidity = some(10), some(795), some(TypicalHumidity)
	})[0]
	assert.Equal(t, typical.Air, thin.Air, "without humidity an ordinary one")
	warm := airs(func(c *drift.Calibration) {
		c.Temperature, c.Pressure, c.MachineTemperature = some(10), some(795), some(25)
	})[0]
	assert.Equal(t, thin.Air[0], warm.Air[0])
	assert.InDelta(t, 0.5, warm.Air[2], 1e-12, "the machine's own temperature")

	// An older reading is used, and is marked so; an altitude once reported stays
	// until another is; a machine that never reported its air is not marked.
	later := airs(
		func(*drift.Calibration) {},
		func(c *drift.Calibration) { c.Temperature, c.Pressure = some(10), some(795) },
		func(*drift.Calibration) {},
		func(c *drift.Calibration) { c.Temperature = some(15) },
	)
	assert.Equal(t, [airTerms]float64{}, later[0].Air)
	assert.Equal(t, thin.Air, later[2].Air)
	// δ goes with 1/(273 + t) at one pressure.
	assert.InDelta(t, thin.Air[0]+100*math.Log(288.0/283), later[3].Air[0], 1e-9)
	var stale []bool
	for _, ev := range later {
		stale = append(stale, ev.AirStale)
	}
	assert.Equal(t, []bool{false, false, true, false}, stale)
}
