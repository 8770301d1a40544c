package synth

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// tally is what a fleet came to.
type tally struct {
	attempts, misses, badEnd     float64
	young, youngMisses           float64 // well-prepared, settled, in the first third of a life
	unfit, unlogged, dirt, moves int
	density                      map[string]float64 // mean over machines by model
}

func tallyOf(f Fleet) tally {
	t := tally{density: map[string]float64{}}
	machines := map[string]float64{}
	for _, m := range f.Truth.Machines {
		for _, a := range m.Attempts {
			t.attempts++
			if a.BadEnd {
				t.badEnd++
			}
			if !a.Passed {
				t.misses++
			}
			if a.BadEnd || a.Conditioning || a.Number > 1 || float64(a.Arcs) > 0.6*m.Model.ScatterArcs {
				continue
			}
			t.young++
			if !a.Passed {
				t.youngMisses++
			}
		}
		for _, s := range m.Sessions {
			if !s.Fit {
				t.unfit++
			}
		}
		for _, s := range m.Services {
			if !s.Logged {
				t.unlogged++
			}
		}
		t.dirt += len(m.Dirt)
		t.moves += len(m.Moves)
		t.density[m.Model.Name] += m.Density
		machines[m.Model.Name]++
	}
	for name := range t.density {
		t.density[name] /= machines[name]
	}
	return t
}

func TestWorldsDifferInKind(t *testing.T) {
	got := map[string]tally{}
	for _, w := range Worlds() {
		assert.NotContains(t, got, w.Name, "a name twice")
		assert.NotEmpty(t, w.About)
		got[w.Name] = tallyOf(Make(w, 1, 60, monday, 240))
	}
	for name, x := range got {
		if name != "healthy" && name != "by-policy" {
			assert.Greater(t, x.unfit, 200, "%s: a few hundred lives end", name)
		}
	}
	for _, name := range []string{"straight", "bent", "blunt", "unlogged", "firmware", "three-models"} {
		x := got[name]
		assert.InDelta(t, 0.07, x.youngMisses/x.young, 0.05, "%s: a healthy pair misses 2 to 12 %% with its moves", name)
	}
	assert.Zero(t, got["healthy"].unfit, "no electrode fails")
	assert.Greater(t, got["healthy"].badEnd/got["healthy"].attempts, 0.05)
	assert.Greater(t, got["healthy"].moves, 1200)
	assert.Greater(t, got["blunt"].badEnd, 3*got["straight"].badEnd)
	assert.Greater(t, got["dirty"].dirt, 3*got["straight"].dirt)
	assert.Greater(t, got["sudden-dirt"].dirt, 2*got["straight"].dirt)
	assert.Greater(t, got["thin-air"].moves, 2*got["straight"].moves)
	assert.Greater(t, got["thin-air"].density["type-1"], 0.6)
	assert.Less(t, got["compensating"].density["type-1"], 0.05)
	assert.Greater(t, got["compensating"].density["type-2"], 0.2)
	assert.Len(t, got["three-models"].density, 3)
	for name, x := range got {
		assert.Equal(t, name == "unlogged", x.unlogged > 50, name)
	}
	_, ok := WorldNamed("nowhere")
	assert.False(t, ok)
}

func TestCountersAreKeptWhereWorldSaysSo(t *testing.T) {
	for name, want := range map[string]bool{"unlogged": true, "straight": false} {
		f := Make(world(t, name), 1, 40, monday, 240)
		arcs := map[string]int64{}
		for _, m := range f.Truth.Machines {
			for _, a := range m.Attempts {
				arcs[a.Record] = a.Arcs
			}
		}
		above := false
		for i := range f.Records {
			if n, ok := f.Records[i].ArcCount.Get(); ok && f.Records[i].Calibration != nil {
				require.GreaterOrEqual(t, n, arcs[f.Records[i].ID])
				above = above || n > arcs[f.Records[i].ID]
			}
		}
		assert.Equal(t, want, above, name)
	}
}

func TestPairWearsAsItsModelSays(t *testing.T) {
	straight, bent := typeOne(), typeOne()
	bent.Bend = 2
	at := func(m *Model, arcs int64) pair {
		return pair{arcs: arcs, deposit: float64(arcs), slope: 2, scale: 1, offset: 1}
	}
	for _, m := range []*Model{&straight, &bent} {
		m.Conditioning = 0
		two := at(m, 2000)
		assert.InDelta(t, 1+2*2, two.level(m), 1e-12, "both have the same wear at 2000 arcs")
	}
	early, late := at(&bent, 500), at(&bent, 1500)
	assert.InDelta(t, 1, early.slopeNow(&bent), 1e-12, "4·(a/2000)² has slope 4·2·a/2000² a thousand times")
	assert.InDelta(t, 3, late.slopeNow(&bent), 1e-12)
	anywhere := at(&straight, 700)
	assert.InDelta(t, 2, anywhere.slopeNow(&straight), 1e-12)

	doubled := at(&straight, int64(straight.ScatterArcs))
	assert.InDelta(t, 2*straight.Scatter, doubled.scatter(&straight), 1e-12)
}

func TestNewPairsSettle(t *testing.T) {
	m := typeOne()
	fresh, settled := pair{scale: 1}, pair{scale: 1, arcs: m.Conditioning * 3}
	assert.InDelta(t, m.NewOffset, fresh.level(&m), 1e-12)
	assert.InDelta(t, m.Scatter*(1+m.NewScatter), fresh.scatter(&m), 1e-12)
	assert.Less(t, settled.newness(&m), 0.001)
}

func TestCleaningTakesLessEachTime(t *testing.T) {
	m, s := typeOne(), streamOf(1)
	p := pair{scale: 1, dirtScatter: 1, dirtLevel: 4, deposit: 1000, arcs: 1500}
	part := m.CleanTakes
	for k := range 4 {
		before := p
		p.clean(&m, &s)
		assert.InDelta(t, part, 1-p.dirtScatter/before.dirtScatter, 1e-12)
		assert.InDelta(t, part, 1-p.dirtLevel/before.dirtLevel, 1e-12)
		assert.InDelta(t, part, 1-p.deposit/before.deposit, 1e-12)
		assert.Equal(t, k+1, p.cleanings)
		part *= m.CleanFades
	}
}

// Contaminations are a Poisson process in arcs; 4 standard deviations.
func TestDirtComesAtItsRate(t *testing.T) {
	m, s := typeOne(), streamOf(2)
	const blocks, arcs, dirt = 40_000, 50, 3
	soiled := 0.0
	for range blocks {
		p := newPair(&m, &s)
		if p.advance(&m, arcs, dirt, &s) {
			soiled++
			assert.Greater(t, p.dirtScatter, 0.0)
			assert.NotZero(t, p.dirtLevel)
		}
	}
	p := 1 - math.Exp(-m.DirtRate*dirt*arcs/1000)
	assert.InDelta(t, p*blocks, soiled, 4*math.Sqrt(p*blocks))
}

func TestWeatherIsAClimate(t *testing.T) {
	var w weather
	s := streamOf(3)
	site := Site{AltitudeM: 500, MeanC: 8, SeasonC: 10, DayC: 4, HumidityPct: 60}
	const years = 60
	var summer, winter, product, square, before float64
	for d := range years * 365 {
		w.dawn(&s)
		day := monday.AddDate(0, 0, d)
		switch day.Month() {
		case time.July:
			summer += w.at(&site, day.Add(15*time.Hour)).TemperatureC / 31
		case time.January:
			winter += w.at(&site, day.Add(3*time.Hour)).TemperatureC / 31
		}
		product += before * w.temperature
		square += w.temperature * w.temperature
		before = w.temperature
		a := w.at(&site, day)
		require.InDelta(t, 954.6, a.PressureHPa, 60, "standard atmosphere at 500 m, give or take the weather")
		require.True(t, a.HumidityPct >= 12 && a.HumidityPct <= 98)
	}
	// Means of 60 Julys with a memory of 0.75: a standard error of 0.2 °C.
	assert.InDelta(t, 8+10+4, summer/years, 0.8)
	assert.InDelta(t, 8-10-4, winter/years, 0.8)
	assert.InDelta(t, weatherMemory, product/square, 0.03)
	assert.InDelta(t, temperatureSD, math.Sqrt(square/(years*365)), 0.2)
}

func TestEverySetupTellsItsModel(t *testing.T) {
	f := Make(world(t, "three-models"), 1, 3, monday, 5)
	var setups drift.Setups
	for i := range f.Records {
		setups.Take(&f.Records[i])
	}
	for _, m := range f.Truth.World.Models {
		got := setups.For("", m.Name, "")
		assert.EqualValues(t, m.AttemptLimit, got.AttemptLimit)
		assert.Equal(t, m.Conditioning, got.ConditioningArcs)
	}
}

func BenchmarkMake60x240(b *testing.B) {
	w := world(b, "straight")
	for b.Loop() {
		Make(w, 1, 60, monday, 240)
	}
}

func BenchmarkMake10000x30(b *testing.B) {
	w := world(b, "straight")
	for b.Loop() {
		Make(w, 1, 10_000, monday, 30)
	}
}

func BenchmarkArcsToFailure(b *testing.B) {
	m := Make(world(b, "straight"), 1, 1, monday, 30).Truth.Machines[0]
	for b.Loop() {
		m.ArcsToFailure(monday.AddDate(0, 0, 20), horizon)
	}
}

func BenchmarkFutures500(b *testing.B) {
	m := Make(world(b, "straight"), 1, 1, monday, 30).Truth.Machines[0]
	for b.Loop() {
		m.Futures(monday.AddDate(0, 0, 20), horizon, 500, 1)
	}
}
