package delta

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
)

func TestStandardAtmosphere(t *testing.T) {
	// ISO 2533, table 5: pressure at altitude.
	require.InDelta(t, 1013.25, standardPressure(0), 0.01)
	require.InDelta(t, 898.76, standardPressure(1000), 0.1)
	require.InDelta(t, 701.21, standardPressure(3000), 0.2)
}

func TestReferenceAirIsNeutral(t *testing.T) {
	// 11 g/m³ at 20 °C is 63.6 % by Magnus' formula.
	rh := 100 * refVapour / vapour(20, 100)
	require.InDelta(t, 63.6, rh, 0.3)
	air := blind.Air{TemperatureC: 20, HumidityPct: rh, PressureHPa: refPressure}
	for _, h := range histories(World(wish(1))) {
		require.InDelta(t, h.physics.refHeat(), h.physics.airHeat(air, 20), 1e-9)
	}
}

func TestWarmingKeepsVapourPressure(t *testing.T) {
	c := climate{}
	s := site{mean: 2, humidity: 80, pressure: 1000}
	cold, warm := c.around(&s, weather{}, 10, 40000, 0), c.around(&s, weather{}, 10, 40000, 1)
	require.InDelta(t, 18, warm.TemperatureC, 1e-9)
	pressure := func(a blind.Air) float64 {
		return vapour(a.TemperatureC, a.HumidityPct) * (273.15 + a.TemperatureC)
	}
	require.InEpsilon(t, pressure(cold), pressure(warm), 1e-9)
}

func TestRequiredPutsExpectedMeltbackOnTarget(t *testing.T) {
	w := wish(2)
	d := newDice(99)
	for _, h := range histories(World(w)) {
		for _, at := range moments(w, 3) {
			st, _ := h.at(at)
			p, g := h.physics, &h.programs[st.program]
			need := required(&p, &st.pair, g)
			p.supply, p.share, p.pixel, p.flicker = 0, 0, 0, 0
			ln := st.pair.heat(&p) + p.refHeat() + g.off + math.Log1p(need/100)
			const n = 4000
			var sum, square float64
			for range n {
				m := fire(&p, &st.pair, g, ln, d).mean() / g.target
				sum, square = sum+m, square+m*m
			}
			se := math.Sqrt(max(0, square/n-sum*sum/n/n) / n)
			require.InDelta(t, 1, sum/n, 5*se+1e-4)
		}
	}
}

func TestExponentIsThatOfMelt(t *testing.T) {
	for _, h := range histories(World(wish(2))) {
		const e = 1e-5
		p := &h.physics
		require.InDelta(t, 1, p.melt(1), 1e-12)
		require.InEpsilon(t, p.exponent(), (math.Log(p.melt(1+e))-math.Log(p.melt(1-e)))/(2*e), 1e-4)
		// It is constant only near the target.
		low := (math.Log(p.melt(0.9)) - math.Log(p.melt(0.9-e))) / math.Log(0.9/(0.9-e))
		require.Greater(t, math.Abs(low/p.exponent()-1), 0.01)
	}
}

func TestProbabilityOutAgainstAttempts(t *testing.T) {
	w := wish(9)
	d := newDice(5)
	const n = 8000
	between := 0
	for _, h := range histories(World(w)) {
		for i, at := range moments(w, 4) {
			st, _ := h.at(at)
			air := h.At(at).Air
			if i%2 == 1 {
				air = blind.Air{TemperatureC: -3, HumidityPct: 70, AltitudeM: 1500}
			}
			if i == 3 {
				st.pair.dirt = 0 // the quadrature of both branches is met
			}
			g := &h.programs[st.program]
			ln := st.pair.heat(&h.physics) + h.physics.airHeat(air, air.TemperatureC) + g.off +
				math.Log1p(st.setting[h.index(&st)]/100)
			out := 0
			for range n {
				if math.Abs(fire(&h.physics, &st.pair, g, ln, d).mean()-g.target) > g.within {
					out++
				}
			}
			got := outside(&h.physics, &st.pair, g, ln)
			if i != 3 {
				require.InDelta(t, h.ProbabilityOut(at, air), got, 1e-12)
			}
			// Five standard errors; 0.002 for the grids.
			require.InDelta(t, float64(out)/n, got, 5*math.Sqrt(got*(1-got)/n)+0.002, "%s at %s", h.name, at)
			if got > 0.02 && got < 0.98 {
				between++
			}
		}
	}
	require.Greater(t, between, 8)
}

func TestCleaningTakesSilicaNotWear(t *testing.T) {
	h := histories(World(wish(2)))[0]
	d := newDice(1)
	w := newPair(&h.physics, d)
	w.burn(&h.physics, 50, 1, d)
	for range 60 {
		w.burn(&h.physics, 50, 1.05, d)
	}
	before := w
	w.clean(&h.physics, d)
	for i := range w.tips {
		require.Less(t, w.tips[i].silica, 0.45*before.tips[i].silica)
		require.Equal(t, before.tips[i].lost, w.tips[i].lost)
		require.Equal(t, before.tips[i].radius, w.tips[i].radius)
	}
	require.Equal(t, before.arcs, w.arcs)
}

func TestFirmware(t *testing.T) {
	g := &program{target: 200, within: 20}
	f := firmware{how: proportional, gain: 0.5, dead: 0.02, round: 0.1}
	for _, c := range []struct {
		name          string
		edge          int
		setting, mean float64
		attempt       int
		passed, after bool
		how           int
		change        float64
		told          bool
	}{
		{name: "proportional", mean: 160, attempt: 1, change: 5, told: true},
		{name: "dead band", mean: 197, attempt: 1, after: true, passed: true, told: true},
		{name: "no correction after a pass", mean: 185, attempt: 1, passed: true, told: true},
		{name: "correction after a pass", mean: 184, attempt: 1, passed: true, after: true, change: 2, told: true},
		{name: "step", how: stepwise, mean: 240, attempt: 3, change: -3, told: true},
		{name: "halving", how: halving, mean: 160, attempt: 3, change: 0.8, told: true},
		{name: "clipped", setting: 8, mean: 160, attempt: 1, change: 2, told: true},
		{name: "refused", edge: refuses, setting: 8, mean: 160, attempt: 1, told: true},
		{name: "to the limit", edge: hushes, setting: 8, mean: 160, attempt: 1, change: 2, told: true},
		{name: "nothing at the limit", edge: hushes, setting: 10, mean: 160, attempt: 1},
	} {
		f := f
		f.edge, f.how, f.afterPass, f.step = c.edge, c.how, c.after, 3
		change, told := f.correct(c.setting, 10, c.mean, g, 2, c.attempt, c.passed)
		require.InDelta(t, c.change, change, 1e-9, c.name)
		require.Equal(t, c.told, told, c.name)
	}
}
