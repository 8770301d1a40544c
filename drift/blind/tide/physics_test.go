package tide

import (
	"math"
	"testing"
	"time"

	"arcdrift/drift/blind"
)

// Values of the standard atmosphere (ISO 2533) and of vapour pressure, from memory.
func TestAir(t *testing.T) {
	for _, c := range []struct {
		name              string
		got, want, within float64
	}{
		{"pressure at sea level", standardPressure(0), 1013.25, 0.01},
		{"pressure at 1,000 m", standardPressure(1000), 898.7, 0.3},
		{"pressure at 3,000 m", standardPressure(3000), 701.1, 0.5},
		{"saturation at 20 °C", saturation(20), 23.4, 0.1},
		{"saturation at 0 °C", saturation(0), 6.11, 0.01},
		{"vapour at 20 °C and 63.6 %", water(blind.Air{TemperatureC: 20, HumidityPct: 63.6}), 11, 0.05},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s is %v, want %v", c.name, c.got, c.want)
		}
	}
}

func TestReferenceAirChangesNothing(t *testing.T) {
	for seed := range uint64(50) {
		r := stream(seed)
		b := drawBreath(&r)
		wet := 100 * 11 * 293.15 / 216.7 / saturation(20)
		if e := b.effect(blind.Air{TemperatureC: 20, HumidityPct: wet, PressureHPa: 1013}); math.Abs(e) > 1e-12 {
			t.Errorf("reference air has an effect of %g", e)
		}
		low := b.effect(blind.Air{TemperatureC: 20, HumidityPct: wet, PressureHPa: 1000})
		high := b.effect(blind.Air{TemperatureC: 20, HumidityPct: wet, PressureHPa: 800})
		if low <= 0 || high <= low {
			t.Errorf("thin air needs %g, thinner %g", low, high)
		}
	}
}

func TestMeltbackAndPowerAreInverse(t *testing.T) {
	p := program{target: 200, tolerance: 20, start: 0.6, curve: 1.2}
	if got := p.melt(0); math.Abs(got-200) > 1e-9 {
		t.Errorf("required power melts %v µm", got)
	}
	for _, x := range []float64{-0.2, -0.05, 0.01, 0.3} {
		if got := p.power(p.melt(x)); math.Abs(got-x) > 1e-9 {
			t.Errorf("power %v comes back as %v", x, got)
		}
	}
	slope := (p.melt(1e-5) - p.melt(-1e-5)) / 2e-5 / 200
	if math.Abs(slope-p.steepness()) > 1e-3 {
		t.Errorf("steepness %v, slope %v", p.steepness(), slope)
	}
}

func TestCorrectionKeepsToItsRules(t *testing.T) {
	c := correction{gain: 1, misjudged: 1, dead: 0.4, most: 3, step: 0.25, limit: 10}
	for _, x := range []struct {
		power   float64
		passed  bool
		setting float64
		want    float64
	}{
		{0.02, false, 0, -2}, {-0.0211, false, 0, 2}, {0.003, false, 0, 0}, {0.02, true, 0, 0},
		{-0.2, false, 0, 3}, {-0.05, false, 9, 1}, {0.05, false, -10, 0},
	} {
		if got := c.after(x.power, x.passed, x.setting); got != x.want {
			t.Errorf("%+v gives %v", x, got)
		}
	}
}

func TestCleaningTakesDepositAndLeavesWear(t *testing.T) {
	f := drawFleet(wish(2))
	m := f.machine(0)
	s := m.begin()
	s.soil, s.fresh = 0.02, 0.01
	arcs, pairs := s.arcs, s.pairs
	r := stream(1)
	m.clean(&s, &r)
	if s.soil > 0.01 || s.fresh > 0.005 || s.arcs != arcs || s.pairs != pairs || !s.serviced {
		t.Errorf("after cleaning: %+v", s)
	}
	m.replace(&s, &r)
	if s.pairs != pairs+1 || s.arcs != int64(m.settles) {
		t.Errorf("after replacing: %d pairs, %d arcs", s.pairs, s.arcs)
	}
}

func BenchmarkFutures(b *testing.B) {
	f := World(blind.Wish{Seed: 3, Machines: 6, Days: 120, Start: start})
	at := start.Add(60 * 24 * time.Hour)
	for i := range b.N {
		f.Machines[i%6].Futures(at, 6000, 100, uint64(i))
	}
}
