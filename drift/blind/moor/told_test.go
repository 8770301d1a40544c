package moor

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
)

// bounds are those of the contract, by field.
var bounds = map[string][2]float64{
	"attempt": {1, 20}, "attempts": {1, 20}, "epoch": {0, 1e9}, "seq": {0, 1e9},
	"meltback_left_um": {1e-9, 2000}, "meltback_right_um": {1e-9, 2000},
	"meltback_target_um": {1e-9, 2000}, "meltback_tolerance_um": {1e-9, 2000},
	"centre_offset_um": {-500, 500}, "power_setting_pct": {-60, 60}, "power_correction_pct": {-60, 60},
	"power_limit_pct": {1e-9, 60}, "arc_count": {0, 1e7}, "temperature_c": {-40, 60}, "humidity_pct": {0, 100},
	"altitude_m": {-430, 6000}, "pressure_hpa": {400, 1100}, "machine_temperature_c": {-40, 80},
	"count": {0, 1e7}, "loss_db": {0, 10}, "attempt_limit": {1, 20}, "limit_pct": {1e-9, 60},
	"conditioning_arcs": {0, 1000}, "warm_up_minutes": {0, 600},
}

// fields are those each type of record may have besides its type, id, machine,
// labels, time and numbering.
var fields = map[string]string{
	"calibration": "session attempt attempts passed meltback_left_um meltback_right_um meltback_target_um meltback_tolerance_um " +
		"centre_offset_um power_setting_pct power_correction_pct power_limit_pct arc_count temperature_c humidity_pct altitude_m " +
		"pressure_hpa machine_temperature_c trigger cleaver recleaved",
	"service": "action pair finding arc_count",
	"usage":   "arc_count",
	"splice":  "count loss_db job",
	"setup":   "scope name attempt_limit limit_pct conditioning_arcs warm_up_minutes",
}

var words = map[string]string{
	"trigger": "start-of-day moved weather electrode-service other", "action": "cleaned replaced inspected",
	"finding": "worn dirty fine cleaver other", "scope": "fleet model",
}

const common = "type id machine model program site operator time source epoch seq"

func contains(list string, w string) bool {
	for _, x := range strings.Fields(list) {
		if x == w {
			return true
		}
	}
	return false
}

func checkRecord(t *testing.T, line []byte) map[string]any {
	t.Helper()
	var r map[string]any
	require.NoError(t, json.Unmarshal(line, &r))
	kind := r["type"].(string)
	require.Contains(t, fields, kind)
	_, err := time.Parse(time.RFC3339, r["time"].(string))
	require.NoError(t, err)
	for name, v := range r {
		require.True(t, contains(common, name) || contains(fields[kind], name), "%s in %s", name, line)
		if b, ok := bounds[name]; ok {
			x := v.(float64)
			require.True(t, x >= b[0] && x <= b[1], "%s in %s", name, line)
		} else if allowed, ok := words[name]; ok {
			require.True(t, contains(allowed, v.(string)), "%s in %s", name, line)
		} else if s, ok := v.(string); ok {
			require.NotEmpty(t, s)
			require.LessOrEqual(t, len(s), 64)
		}
	}
	if kind == "calibration" {
		require.Contains(t, r, "passed")
		require.False(t, r["attempt"] != nil && r["attempts"] != nil)
	}
	if kind != "setup" {
		require.NotEmpty(t, r["machine"])
	}
	return r
}

func TestRecordsKeepTheContract(t *testing.T) {
	for seed := uint64(1); seed <= 3; seed++ {
		w := wish(seed)
		w.Mess = seed%2 == 1
		f := World(w)
		grade := map[string]string{}
		for _, m := range f.Machines {
			grade[m.Name] = m.Grade
		}
		last := time.Time{}
		kinds := map[string]int{}
		for _, l := range f.Lines {
			require.False(t, l.Received.Before(last))
			last = l.Received
			r := checkRecord(t, l.JSON)
			kinds[r["type"].(string)]++
			if r["type"] != "calibration" {
				continue
			}
			g := grade[r["machine"].(string)]
			require.Equal(t, g == "full", r["meltback_left_um"] != nil && r["power_setting_pct"] != nil)
			require.Equal(t, g != "pass-fail", r["power_correction_pct"] != nil)
		}
		require.Positive(t, kinds["calibration"])
		require.Positive(t, kinds["service"])
	}
}

// The fleets are as busy as fleets are, and not alike.
func TestFleetsAreLifelike(t *testing.T) {
	var services, first, lines []float64
	for seed := uint64(100); seed < 124; seed++ {
		f := World(wish(seed))
		busy, passed, sessions := 0.0, 0.0, 0.0
		for _, h := range lives(f) {
			for _, e := range h.events {
				if e.service != nil {
					busy++
				}
				if e.kind == trial && e.attempt.ordinal == 1 {
					sessions++
					if e.attempt.passed {
						passed++
					}
				}
			}
		}
		services, first, lines = append(services, busy), append(first, passed/sessions), append(lines, float64(len(f.Lines)))
		assert.Greater(t, len(f.Lines), 2000)
		assert.Less(t, len(f.Lines), 25000)
	}
	for _, v := range []struct {
		of     []float64
		lo, hi float64 // of the mean
		spread float64 // least ratio of the greatest and the least
	}{{services, 40, 170, 3}, {first, 0.75, 0.95, 1.1}, {lines, 3000, 12000, 1.3}} {
		sum, least, most := 0.0, math.Inf(1), 0.0
		for _, x := range v.of {
			sum, least, most = sum+x, min(least, x), max(most, x)
		}
		mean := sum / float64(len(v.of))
		assert.True(t, mean > v.lo && mean < v.hi, "%v", mean)
		assert.Greater(t, most/least, v.spread)
	}
}

// gap is the mean number of days between two sessions, and how many gaps there were.
func gap(f *blind.Fleet) (mean, n float64) {
	for _, h := range lives(f) {
		if k := len(h.sessions); k > 1 {
			a, b := h.moments[h.sessions[0]].t, h.moments[h.sessions[k-1]].t
			mean += float64(b-a) / daySeconds
			n += float64(k - 1)
		}
	}
	return mean / n, n
}

func TestWishIsObeyed(t *testing.T) {
	w := wish(11)
	w.Programs = 2
	for _, h := range lives(World(w)) {
		require.Len(t, h.m.programs, 2)
	}
	for _, every := range []float64{1, 4, 15} {
		w := wish(12)
		w.EveryDays, w.Days = every, 400
		mean, n := gap(World(w))
		assert.Greater(t, n, 400.0)
		// Services and second tries add sessions, days at the bench take some.
		assert.InDelta(t, 1, mean/every, 0.3, "every %.0f days", every)
	}
}

func TestMessShowsInEveryForm(t *testing.T) {
	w := wish(13)
	plain := len(World(w).Lines)
	w.Mess = true
	f := World(w)
	assert.Greater(t, len(f.Lines), plain)
	seen := map[string]int{}
	copies, wrong, late := 0, 0, 0
	sessions := map[string]bool{}
	for _, l := range f.Lines {
		if seen[string(l.JSON)]++; seen[string(l.JSON)] > 1 {
			copies++
		}
		r := checkRecord(t, l.JSON)
		at, _ := time.Parse(time.RFC3339, r["time"].(string))
		switch lag := l.Received.Sub(at); {
		case lag > 365*24*time.Hour || lag < -12*time.Hour:
			wrong++
		case lag > 24*time.Hour:
			late++
		}
		if id, ok := r["id"].(string); ok && strings.HasPrefix(id, "t-") {
			sessions[id] = true
		}
	}
	assert.Positive(t, copies)
	assert.Positive(t, wrong)
	assert.Positive(t, late)
	assert.Positive(t, len(sessions))
}

func TestMachineStandsAtItsLimit(t *testing.T) {
	p := program{target: 100, exponent: 2, gain: 1, lo: -0.03, hi: 0.03}
	m := &machine{model: &model{limitPct: 10, step: 0.1, maxStep: 60}}
	w := &walk{m: m}
	assert.InDelta(t, 2.0, w.correct(&p, 8, -0.05, false), 1e-9, "clipped")
	assert.InDelta(t, 0.0, w.correct(&p, 10, -0.05, false), 1e-9, "stands there")
	assert.InDelta(t, -5.5, w.correct(&p, 10, 0.05, false), 1e-9, "0.05 × 110 %")
	assert.InDelta(t, 0.0, w.correct(&p, 0, 0.02, true), 1e-9, "leaves a pass alone")
	m.model.holds = true
	assert.InDelta(t, 0.0, w.correct(&p, 8, -0.05, false), 1e-9, "does nothing")
	assert.InDelta(t, 5.0, w.correct(&p, 5, -0.05, false), 1e-9, "still goes there from farther off")
	m.model.fixedStep, m.model.holds = true, false
	assert.InDelta(t, -2.4, w.correct(&p, 0, 0.2, false), 1e-9, "0.8 of the tolerance")
}

// The standard atmosphere of ISO 2533: 898.746 hPa at 1000 m and 794.952 hPa at
// 2000 m (values from memory), within 0.05 hPa for the rounded constants.
func TestAir(t *testing.T) {
	assert.InDelta(t, 1013.25, standardPressure(0), 1e-9)
	assert.InDelta(t, 898.746, standardPressure(1000), 0.05)
	assert.InDelta(t, 794.952, standardPressure(2000), 0.05)
	m := &machine{fleet: &fleet{logReference: logReference()}, perDensity: -0.4, perVapour: 0.001, perDegree: 0.001}
	// 11 g/m³ at 20 °C is 63.6 % of 17.3 g/m³.
	rh := 100 * 0.011 * vapourGas * (20 + kelvin) / 100 / vapourPressure(20, 100)
	ref := blind.Air{TemperatureC: 20, HumidityPct: rh, PressureHPa: 1013}
	assert.InDelta(t, 0, m.airEffect(ref), 1e-9)
	thin := ref
	thin.PressureHPa = 900
	assert.InDelta(t, 0.4*math.Log(1013.0/900), m.airEffect(thin), 0.001)
	told := ref
	told.PressureHPa, told.AltitudeM = 0, 1000
	ref.PressureHPa = standardPressure(1000)
	assert.InDelta(t, m.airEffect(ref), m.airEffect(told), 1e-12)
}

// Moments of the two kinds of drawn chance, within five standard errors of n draws.
func TestChance(t *testing.T) {
	const n = 40000
	var a, a2, b, b2 float64
	for i := range int64(n) {
		x, y := normal(9, ofNoise, i, 0), bell(9, ofWander, i, 0)
		a, a2, b, b2 = a+x, a2+x*x, b+y, b2+y*y
	}
	assert.InDelta(t, 0, a/n, 0.025)
	assert.InDelta(t, 1, a2/n, 0.036)
	assert.InDelta(t, 0, b/n, 0.025)
	assert.InDelta(t, 1, b2/n, 0.036)
}

// Small and odd wishes give whole fleets too.
func TestOddWishes(t *testing.T) {
	for seed := uint64(1); seed <= 30; seed++ {
		w := blind.Wish{
			Seed: seed, Machines: int(seed % 4), Days: int(3 + seed*7), Programs: int(seed % 5), EveryDays: float64(seed%3) * 10,
			Start: time.Date(2024, 2, 28, 0, 0, 0, 0, time.UTC).AddDate(0, 0, int(seed)), Mess: seed%2 == 0,
		}
		f := World(w)
		require.Len(t, f.Machines, w.Machines)
		for _, l := range f.Lines {
			checkRecord(t, l.JSON)
		}
		for _, m := range f.Machines {
			for _, at := range []time.Time{w.Start.Add(-time.Hour), after(w, 2.5), after(w, float64(w.Days)+3)} {
				for _, v := range m.Futures(at, 500, 4, seed) {
					require.True(t, v > 0 && v <= 500)
				}
				p := m.ProbabilityOut(at, m.At(at).Air)
				require.True(t, p >= 0 && p <= 1)
				require.False(t, math.IsNaN(m.At(at).RequiredPct))
			}
		}
	}
}
