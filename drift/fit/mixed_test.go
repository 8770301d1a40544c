package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sleepstudy is the mean reaction time, ms, on days 0–9 of sleep deprivation:
// Belenky et al. (2003), J. Sleep Res. 12:1, as in the R package lme4.
var sleepstudy = [][]float64{
	{249.5600, 258.7047, 250.8006, 321.4398, 356.8519, 414.6901, 382.2038, 290.1486, 430.5853, 466.3535}, // 308
	{222.7339, 205.2658, 202.9778, 204.7070, 207.7161, 215.9618, 213.6303, 217.7272, 224.2957, 237.3142}, // 309
	{199.0539, 194.3322, 234.3200, 232.8416, 229.3074, 220.4579, 235.4208, 255.7511, 261.0125, 247.5153}, // 310
	{321.5426, 300.4002, 283.8565, 285.1330, 285.7973, 297.5855, 280.2396, 318.2613, 305.3495, 354.0487}, // 330
	{287.6079, 285.0000, 301.8206, 320.1153, 316.2773, 293.3187, 290.0750, 334.8177, 293.7469, 371.5811}, // 331
	{234.8606, 242.8118, 272.9613, 309.7688, 317.4629, 309.9976, 454.1619, 346.8311, 330.3003, 253.8644}, // 332
	{283.8424, 289.5550, 276.7693, 299.8097, 297.1710, 338.1665, 332.0265, 348.8399, 333.3600, 362.0428}, // 333
	{265.4731, 276.2012, 243.3647, 254.6723, 279.0244, 284.1912, 305.5248, 331.5229, 335.7469, 377.2990}, // 334
	{241.6083, 273.9472, 254.4907, 270.8021, 251.4519, 254.6362, 245.4523, 235.3110, 235.7541, 237.2466}, // 335
	{312.3666, 313.8058, 291.6112, 346.1222, 365.7324, 391.8385, 404.2601, 416.6923, 455.8643, 458.9167}, // 337
	{236.1032, 230.3167, 238.9256, 254.9220, 250.7103, 269.7744, 281.5648, 308.1020, 336.2806, 351.6451}, // 349
	{256.2968, 243.4543, 256.2046, 255.5271, 268.9165, 329.7247, 379.4445, 362.9184, 394.4872, 389.0527}, // 350
	{250.5265, 300.0576, 269.8939, 280.5891, 271.8274, 304.6336, 287.7466, 266.5955, 321.5418, 347.5655}, // 351
	{221.6771, 298.1939, 326.8785, 346.8555, 348.7402, 352.8287, 354.4266, 360.4326, 375.6406, 388.5417}, // 352
	{271.9235, 268.4369, 257.2424, 277.6566, 314.8222, 317.2135, 298.1353, 348.1229, 340.2800, 366.5131}, // 369
	{225.2640, 234.5235, 238.9008, 240.4730, 267.5373, 344.1937, 281.1481, 347.5855, 365.1630, 372.2288}, // 370
	{269.8804, 272.4428, 277.8989, 281.7895, 279.1705, 284.5120, 259.2658, 304.6306, 350.7807, 369.4692}, // 371
	{269.4117, 273.4740, 297.5968, 310.6316, 287.1726, 329.6076, 334.4818, 343.2199, 369.1417, 364.1236}, // 372
}

func subjects() []Unit {
	days := []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
	var units []Unit
	for _, y := range sleepstudy {
		units = append(units, Unit{X: days, Y: y})
	}
	return units
}

// dyestuff is the yield, g, of five preparations from each of six batches: Davies
// & Goldsmith, Statistical Methods in Research and Production (1972), 6.4.
var dyestuff = []Unit{
	{Y: []float64{1545, 1440, 1440, 1520, 1580}},
	{Y: []float64{1540, 1555, 1490, 1560, 1495}},
	{Y: []float64{1595, 1550, 1605, 1510, 1560}},
	{Y: []float64{1445, 1440, 1595, 1465, 1545}},
	{Y: []float64{1595, 1630, 1515, 1635, 1625}},
	{Y: []float64{1520, 1455, 1450, 1480, 1445}},
}

// Reference: lme4 1.1.31, lmer with bobyqa at rhoend 1e-12.
func TestSleepstudy(t *testing.T) {
	f, err := FitMixed(subjects(), true, true)
	require.NoError(t, err)
	assert.InDelta(t, 1743.62827196, -2*f.LogLik, 1e-6)
	assert.InDeltaSlice(t, []float64{251.40510485, 10.46728596}, f.Population.Mean, 1e-6)
	assert.InDelta(t, 6.824555776, math.Sqrt(f.Population.Var(0)), 1e-3)
	assert.InDelta(t, 1.545788932, math.Sqrt(f.Population.Var(1)), 1e-3)
	assert.InDelta(t, 24.74044762, math.Sqrt(f.Between[0]), 5e-3)
	assert.InDelta(t, 5.92213326, math.Sqrt(f.Between[3]), 1e-3)
	assert.InDelta(t, 0.06555134285, f.Between[1]/math.Sqrt(f.Between[0]*f.Between[3]), 1e-3)
	assert.InDelta(t, 25.59181589, math.Sqrt(f.Noise), 1e-3)
	for i, want := range map[int][2]float64{
		0: {2.2585655, 9.1989719}, 1: {-40.3985769, -8.6197032}, 3: {23.6904984, -4.8143313},
		8: {-0.3336960, -10.7521591}, 9: {34.8903508, 8.6282840}, 17: {12.3145394, 1.2840297},
	} {
		assert.InDelta(t, want[0], f.Units[i].Mean[0]-f.Population.Mean[0], 5e-3, "unit %d", i)
		assert.InDelta(t, want[1], f.Units[i].Mean[1]-f.Population.Mean[1], 1e-3, "unit %d", i)
	}

	f, err = FitMixed(subjects(), true, false)
	require.NoError(t, err)
	assert.InDelta(t, 1751.93934446, -2*f.LogLik, 1e-6)
	assert.InDelta(t, 23.78056499, math.Sqrt(f.Between[0]), 5e-3)
	assert.InDelta(t, 5.71683458, math.Sqrt(f.Between[3]), 1e-3)
	assert.InDelta(t, 6.632276421, math.Sqrt(f.Population.Var(0)), 1e-3)
	assert.InDelta(t, 2.815682222, f.Units[0].Mean[0]-f.Population.Mean[0], 5e-3)
	assert.InDelta(t, 9.075534120, f.Units[0].Mean[1]-f.Population.Mean[1], 1e-3)

	// No slope: (1|Subject).
	f, err = FitMixed(subjects(), false, true)
	require.NoError(t, err)
	assert.InDelta(t, 1904.32651707, -2*f.LogLik, 1e-6)
	assert.InDelta(t, 35.7538495, math.Sqrt(f.Between[0]), 1e-3)
	assert.InDelta(t, 44.2590689, math.Sqrt(f.Noise), 1e-3)
	assert.InDelta(t, 298.5078917, f.Population.Mean[0], 1e-6)
}

// Balanced, so that everything has a closed form: the analysis of variance.
func TestDyestuff(t *testing.T) {
	f, err := FitMixed(dyestuff, false, true)
	require.NoError(t, err)
	assert.InDelta(t, 319.654276842, -2*f.LogLik, 1e-7)
	assert.InEpsilon(t, 1764.05, f.Between[0], 1e-4)
	assert.InEpsilon(t, 2451.25, f.Noise, 1e-5)
	assert.InDelta(t, 1527.5, f.Population.Mean[0], 1e-9)
	const shrink = 1764.05 / (1764.05 + 2451.25/5)
	for i, want := range []float64{-17.606851367, 0.391263364, 28.562225551, -23.084538459, 56.733187738, -44.995286826} {
		assert.InDelta(t, want, f.Units[i].Mean[0]-1527.5, 2e-3)
		// τ²(1 − B) of its own, and the share of the mean it leans on.
		assert.InEpsilon(t, 1764.05*(1-shrink)+(1-shrink)*(1-shrink)*(1764.05+490.25)/6, f.Units[i].Var(0), 1e-3)
	}
	f, err = FitMixed(dyestuff, false, false)
	require.NoError(t, err)
	assert.InDelta(t, 327.327059881, -2*f.LogLik, 1e-7)
	assert.InEpsilon(t, 1388.333343, f.Between[0], 1e-4)
	assert.InEpsilon(t, 2451.249997, f.Noise, 1e-5)
	assert.InDelta(t, 26.974670684, f.Units[2].Mean[0]-1527.5, 2e-3)
}

func TestMixedRecoversThePopulation(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	var units []Unit
	var truth [][2]float64
	for range 400 {
		z := rng.NormFloat64()
		b := [2]float64{10 + 2*z, -1 + 0.5*(0.6*z+0.8*rng.NormFloat64())}
		u := Unit{}
		for range 3 + rng.IntN(10) {
			x := 5 * rng.Float64()
			u.X, u.Y = append(u.X, x), append(u.Y, b[0]+b[1]*x+1.5*rng.NormFloat64())
		}
		units, truth = append(units, u), append(truth, b)
	}
	f, err := FitMixed(units, true, true)
	require.NoError(t, err)
	// About 4 standard errors with 400 units.
	assert.InDelta(t, 10, f.Population.Mean[0], 4*math.Sqrt(f.Population.Var(0)))
	assert.InDelta(t, -1, f.Population.Mean[1], 4*math.Sqrt(f.Population.Var(1)))
	assert.InEpsilon(t, 4, f.Between[0], 0.3)
	assert.InEpsilon(t, 0.25, f.Between[3], 0.35)
	assert.InDelta(t, 0.6, f.Between[1]/math.Sqrt(f.Between[0]*f.Between[3]), 0.2)
	assert.InEpsilon(t, 2.25, f.Noise, 0.12)
	var z2 float64
	for i, u := range f.Units {
		mean, variance := u.Predict([]float64{1, 3})
		d := mean - truth[i][0] - 3*truth[i][1]
		z2 += d * d / variance / 400
	}
	// χ²₄₀₀/400 has standard deviation 0.07.
	assert.InDelta(t, 1, z2, 0.25)
}

func TestMixedProperties(t *testing.T) {
	f, err := FitMixed(subjects(), true, true)
	require.NoError(t, err)
	// Other units for x and y, units in reverse order.
	var other []Unit
	for _, u := range subjects() {
		var o Unit
		for j := range u.Y {
			o.X, o.Y = append(o.X, 100+24*u.X[j]), append(o.Y, u.Y[j]/1000-3)
		}
		other = append([]Unit{o}, other...)
	}
	g, err := FitMixed(other, true, true)
	require.NoError(t, err)
	for i, u := range f.Units {
		o := g.Units[len(g.Units)-1-i]
		level, slope := o.Predict([]float64{1, 100})
		assert.InDelta(t, u.Mean[0], 1000*(level+3), 1e-2)
		assert.InDelta(t, u.Mean[1], 24000*o.Mean[1], 1e-2)
		assert.InEpsilon(t, u.Var(0), 1e6*slope, 1e-3)
	}
	assert.Equal(t, sleepstudy[0][0], subjects()[0].Y[0])

	// Units that do not differ more than noise explains: no variance between them.
	same := make([]Unit, 6)
	for i := range same {
		same[i].Y = []float64{1, 2, 3, 4}
	}
	f, err = FitMixed(same, false, true)
	require.NoError(t, err)
	assert.InDelta(t, 0, f.Between[0], 1e-6)
	assert.InDelta(t, 2.5, f.Units[3].Mean[0], 1e-9)
}

func TestMixedRefuses(t *testing.T) {
	for want, units := range map[string][]Unit{
		"unit 1 must have one value or more and as many x, not 2 and 1": {{X: []float64{1}, Y: []float64{1, 2}}},
		"too few measurements to separate units from noise":             {{X: []float64{1, 2}, Y: []float64{1, 2}}},
		"point 2 of unit 1 must be a finite number":                     {{X: []float64{1, 2}, Y: []float64{1, math.NaN()}}},
		"all points have the same x":                                    {{X: []float64{1, 1}, Y: []float64{1, 2}}, {X: []float64{1, 1}, Y: []float64{1, 2}}, {X: []float64{1, 1}, Y: []float64{1, 2}}},
		"0 units with 0 points":                                         nil,
		"lie exactly on lines: they have no noise":                      {{X: []float64{1, 2, 3}, Y: []float64{0, 0, 0}}, {X: []float64{1, 2, 3}, Y: []float64{0, 0, 0}}, {X: []float64{1, 2, 3}, Y: []float64{0, 0, 0}}},
	} {
		_, err := FitMixed(units, true, true)
		assert.ErrorContains(t, err, want)
	}
}

func BenchmarkSleepstudy(b *testing.B) {
	units := subjects()
	for b.Loop() {
		if _, err := FitMixed(units, true, true); err != nil {
			b.Fatal(err)
		}
	}
}

// 200 units with 100 points each.
func BenchmarkMixed200(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 3))
	units := make([]Unit, 200)
	for i := range units {
		level, slope := 2*rng.NormFloat64(), 0.1*rng.NormFloat64()
		for j := range 100 {
			x := float64(j) / 10
			units[i].X, units[i].Y = append(units[i].X, x), append(units[i].Y, level+slope*x+rng.NormFloat64())
		}
	}
	for b.Loop() {
		if _, err := FitMixed(units, true, true); err != nil {
			b.Fatal(err)
		}
	}
}
