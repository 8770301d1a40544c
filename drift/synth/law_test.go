package synth

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestOtherLawsAreTold(t *testing.T) {
	other := map[string]bool{
		"two-stage": true, "sudden-end": true, "stairs": true, "heavy-tails": true,
		"odd-air": true, "lots": true, "by-policy": true,
	}
	for _, w := range Worlds() {
		assert.Equal(t, other[w.Name], w.OtherLaws(), w.Name)
	}
}

// The spun errors have mean 0, variance 1 and the stated distribution:
// Kolmogorov's bound at a chance of 1 in 1000, 1.95/√n.
func TestNoiseIsWhatItsChanceSays(t *testing.T) {
	const n = 100_000
	for _, k := range []Noise{NormalNoise, HeavyTails, Skewed, Shared} {
		s, u := streamOf(11), make([]float64, n)
		sum, squares := 0.0, 0.0
		for i := range u {
			common := 0.0
			if k == Shared {
				common = s.normal()
			}
			x := k.spin(&s, common)
			sum += x
			squares += x * x
			u[i] = k.short(3+2*x, 3, 2)
		}
		assert.Less(t, distanceFromUniform(u), 1.95/math.Sqrt(n), k)
		assert.InDelta(t, 0, sum/n, 4/math.Sqrt(n), k)
		// Student's t with 4 degrees has no fourth moment: its sample variance
		// settles slowly.
		assert.InDelta(t, 1, squares/n, 0.05, k)
	}
	// Quantiles of Student's t with 4 degrees of freedom: 2.132 at 0.95 and 4.604
	// at 0.995 (any table of t); of Gumbel 2.9702 at 0.95, -ln(-ln 0.95).
	assert.InDelta(t, 0.95, HeavyTails.short(2.132/math.Sqrt2, 0, 1), 1e-4)
	assert.InDelta(t, 0.005, HeavyTails.short(-4.604/math.Sqrt2, 0, 1), 1e-5)
	assert.InDelta(t, 0.95, Skewed.short((2.9702-eulerGamma)/gumbelSD, 0, 1), 1e-5)
}

func TestShapesOfWear(t *testing.T) {
	for _, c := range []struct {
		law        Wear
		arcs       int64
		wear, tilt float64
	}{
		{Saturating, 2000, 4, math.NaN()},
		{Saturating, 1_000_000, 4 / (1 - math.Exp(-2000.0/600)), 0},
		{TwoStage, 1000, 0.6, 0.6},
		{TwoStage, 1500, 0.6 + 3, 6},
	} {
		m := typeOne()
		m.Law = Law{Wear: c.law}
		p := pair{arcs: c.arcs, slope: 2, turn: 1000}
		if c.arcs == 1000 {
			p.arcs-- // the last arc before the turn
		}
		wear, slope := p.worn(&m)
		assert.InDelta(t, c.wear, wear, 0.001, c.law)
		if !math.IsNaN(c.tilt) {
			assert.InDelta(t, c.tilt, slope, 1e-9, c.law)
		}
	}
	m := typeOne()
	m.Law.Wear = Saturating
	before, at, after := pair{arcs: 699, slope: 2}, pair{arcs: 700, slope: 2}, pair{arcs: 701, slope: 2}
	low, _ := before.worn(&m)
	high, _ := after.worn(&m)
	_, slope := at.worn(&m)
	assert.InDelta(t, 500*(high-low), slope, 1e-4, "slope is the derivative")
}

func TestShapesOfGrowth(t *testing.T) {
	for _, c := range []struct {
		law         Growth
		deposit, at float64
	}{
		{Linear, 1500, 2.5},
		{Exponential, 2000, 4},
		{Stairs, 699, 1}, {Stairs, 700, 1.6}, {Stairs, 1450, 2.2},
		{Cliff, 700, 1}, {Cliff, 900, 3},
	} {
		m := typeOne()
		m.ScatterArcs, m.Law = 1000, Law{Growth: c.law}
		p := pair{deposit: c.deposit, turn: 700}
		assert.InDelta(t, c.at, p.grown(&m), 1e-12, "%s at %v", c.law, c.deposit)
	}
	m := typeOne()
	m.Law.LevelScatter = 0.1
	p := pair{arcs: 10_000, scale: 1, offset: 7, wander: -5}
	assert.InDelta(t, 1.5*m.Scatter, p.scatter(&m), 1e-9, "by the distance from a new pair's level")
}

// A dead band, coarse steps, averages and the reset are seen in the records.
func TestMachinesCorrectAsTheirLawSays(t *testing.T) {
	full := func(name string) (Fleet, map[string]*drift.Calibration) {
		w := world(t, name)
		w.Grades = Mix{Full: 1}
		f, byID := Make(w, 8, 12, monday, 200), map[string]*drift.Calibration{}
		for i := range f.Records {
			byID[f.Records[i].ID] = f.Records[i].Calibration
		}
		return f, byID
	}
	f, byID := full("stairs")
	left := 0
	for _, m := range f.Truth.Machines {
		for _, a := range m.Attempts {
			c := byID[a.Record]
			assert.Zero(t, math.Mod(2*c.PowerSetting.Or(0.1), 1), "steps of 0.5 %")
			if math.Abs(meltback(c)-m.Model.Target) < 0.499*m.Tolerance {
				left++
				assert.Zero(t, c.PowerCorrection.Or(1), "within the dead band")
			}
		}
	}
	assert.Greater(t, left, 500)

	f, _ = full("two-stage")
	resets := 0
	for _, m := range f.Truth.Machines {
		for _, s := range m.Services {
			if s.Action == drift.Replaced {
				resets++
				i := slices.IndexFunc(m.Attempts, func(a Attempt) bool { return a.Pair == s.Pair })
				require.GreaterOrEqual(t, i, 0)
				assert.Zero(t, m.Attempts[i].SettingPct, "a new pair begins at nominal")
			}
		}
	}
	assert.Greater(t, resets, 10)

	law, s := Law{Averages: true}, state{}
	for i, want := range []float64{3, 4.5, 5, 7} {
		assert.InDelta(t, want, s.reckon(&law, []float64{3, 6, 6, 9}[i]), 1e-12, "mean of the last three")
	}
}

func TestLotsServeASite(t *testing.T) {
	w := world(t, "lots")
	w.Models, w.Sites = w.Models[:1], w.Sites[:1]
	w.Models[0].Slope, w.Models[0].ScatterSpread = Spread{2, 0}, 0
	seen := map[bool]int{}
	for day := -90; day < 400; day += 45 {
		n := newNature(&w, 5, 0, monday)
		s := streamOf(1)
		bad := n.newPair(&s, day).slope > 2
		seen[bad]++
		for i := range 5 {
			other := newNature(&w, 5, i+1, monday)
			assert.Equal(t, bad, other.newPair(&s, day+i).slope > 2, "day %d", day)
		}
	}
	assert.Greater(t, seen[true], 0)
	assert.Greater(t, seen[false], 0)
}

func TestHabitsOfByPolicy(t *testing.T) {
	f := Make(world(t, "by-policy"), 1, 80, monday, 200)
	seldom, heavy, replaced, unfit := 0, 0, 0, 0
	for _, m := range f.Truth.Machines {
		if m.ArcsPerDay > 220 {
			heavy++
		}
		rare := true
		for _, s := range m.Sessions {
			day := s.Time.Weekday()
			rare = rare && (s.Trigger != "start-of-day" || day == time.Monday || day == time.Thursday)
		}
		if rare {
			seldom++
		}
		for _, s := range m.Services {
			if s.Action != drift.Replaced {
				continue
			}
			replaced++
			if slices.ContainsFunc(m.Sessions, func(x Session) bool { return x.Pair == s.Pair-1 && !x.Fit }) {
				unfit++
			}
		}
	}
	// Shares of 80: 0.35 and 0.2, each within 3 standard errors.
	assert.InDelta(t, 28, seldom, 13)
	assert.InDelta(t, 16, heavy, 11)
	assert.InDelta(t, 0.25, float64(unfit)/float64(replaced), 0.15, "most lives are cut, some end")
}

// Where laws are odd, knowing them must still be worth something: the pinball
// loss of perfect knowledge at 0.1, 0.5 and 0.9 is below that of the whole past
// lives of new pairs of the same model, given the arcs burnt. The rival gets
// lives uncut, of twice as many machines.
func TestPerfectKnowledgeBeatsPastLives(t *testing.T) {
	const machines, draws = 60, 40
	for _, w := range Worlds() {
		if !w.OtherLaws() {
			continue
		}
		lives := pastLives(Make(w, 31, 2*machines, monday, 150))
		perfect, past, n := 0.0, 0.0, 0.0
		f := Make(w, 32, machines, monday, 100)
		for i, m := range f.Truth.Machines {
			for day := 20 + i%10; day < 100; day += 20 {
				at := monday.AddDate(0, 0, day).Add(14 * time.Hour)
				left, _ := m.ArcsToFailure(at, horizon)
				perfect += loss(left, m.Futures(at, horizon, draws, uint64(i)))
				past += loss(left, outlived(lives[m.Model.Name], m.At(at).Arcs))
				n++
			}
		}
		t.Logf("%-12s pinball per look: perfect %4.0f, past lives %4.0f arcs", w.Name, perfect/n, past/n)
		assert.Less(t, perfect, past, w.Name)
	}
}

// pastLives are the lives, left alone, of all new pairs by model, in rising order.
func pastLives(f Fleet) map[string][]int64 {
	lives := map[string][]int64{}
	for _, m := range f.Truth.Machines {
		for _, s := range m.Services {
			if s.Action == drift.Replaced {
				left, _ := m.ArcsToFailure(s.Time, 4*horizon)
				lives[m.Model.Name] = append(lives[m.Model.Name], m.At(s.Time).Arcs+left)
			}
		}
	}
	for _, l := range lives {
		slices.Sort(l)
	}
	return lives
}

// outlived are the rests of the lives longer than the arcs burnt.
func outlived(lives []int64, arcs int64) []int64 {
	rests := []int64{0}
	for _, life := range lives {
		if life > arcs {
			rests = append(rests, min(life-arcs, horizon))
		}
	}
	return rests[min(1, len(rests)-1):]
}

// loss is the pinball loss of the 0.1, 0.5 and 0.9 quantiles of sorted draws.
func loss(got int64, draws []int64) float64 {
	sum := 0.0
	for _, tau := range []float64{0.1, 0.5, 0.9} {
		over := float64(got - draws[int(tau*float64(len(draws)))])
		sum += max(tau*over, (tau-1)*over)
	}
	return sum
}

func TestCleaningThatRestoresLeavesTheLevel(t *testing.T) {
	m, s := typeOne(), streamOf(1)
	m.Law.CleanRestores = true
	p := pair{scale: 1, dirtScatter: 1, dirtLevel: 4, deposit: 1000, arcs: 1500, slope: 2}
	p.clean(&m, &s)
	assert.InDelta(t, m.Scatter, p.scatter(&m), 1e-9)
	assert.InDelta(t, 4, p.dirtLevel, 0)
}

func TestCurvedAirIsSquares(t *testing.T) {
	m := typeOne()
	m.Law.CurvedAir = true
	n := nature{model: &m, temperature: 0.01, humidity: 0.02}
	effect := func(celsius, humidity float64) float64 {
		return n.effect(Air{TemperatureC: celsius, HumidityPct: humidity, PressureHPa: 1013})
	}
	h := Air{TemperatureC: -10, HumidityPct: 50, PressureHPa: 1013}.terms().HumidityExcess
	assert.InDelta(t, 0.01*400-0.02*h*h, effect(-10, 50), 1e-9, "20 °C below 10 °C, and drier than the reference")
	h = Air{TemperatureC: 30, HumidityPct: 80, PressureHPa: 1013}.terms().HumidityExcess
	assert.InDelta(t, 0.02*h*h, effect(30, 80), 1e-9, "warmth does nothing")
}

func TestMachinesDifferWhereTheirLawSays(t *testing.T) {
	odd, mixed := world(t, "odd-air"), world(t, "lots")
	const machines = 400
	square, tight := 0.0, 0.0
	for i := range machines {
		n := newNature(&odd, 3, i, monday)
		square += n.offset * n.offset / machines
		if n = newNature(&mixed, 3, i, monday); n.tolerance < n.model.Tolerance {
			assert.InDelta(t, 0.75*n.model.Tolerance, n.tolerance, 1e-12)
			tight++
		}
	}
	// Standard errors: of a spread 1/√(2n), of a share √(1/4n); 4 of each.
	assert.InDelta(t, 3, math.Sqrt(square), 3*4/math.Sqrt(2*machines))
	assert.InDelta(t, 0.5, tight/machines, 4*0.5/math.Sqrt(machines))
}

func TestJoltsComeAtTheirRate(t *testing.T) {
	m := typeOne()
	m.Law = Law{JoltRate: 0.02, Jolt: 2}
	n, s := nature{model: &m}, state{wear: streamOf(4)}
	const evenings = 50_000
	jolts, square := 0.0, 0.0
	for range evenings {
		before := s.pair.wander
		n.jolt(&s)
		if d := s.pair.wander - before; d != 0 {
			jolts++
			square += d * d
		}
	}
	assert.InDelta(t, 0.02*evenings, jolts, 4*math.Sqrt(0.02*evenings))
	assert.InDelta(t, 2, math.Sqrt(square/jolts), 2*4/math.Sqrt(2*jolts))
}
