package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
)

// Durbin & Koopman (2012), chapter 2, and an independent exact-diffuse filter
// in R at their rounded variances.
func TestNileStates(t *testing.T) {
	m := Trend{Noise: 15099, Level: 1469.1}
	s := years(nile)
	filtered, err := m.Filter(s, nil)
	require.NoError(t, err)
	smoothed, err := m.Smooth(s, nil)
	require.NoError(t, err)
	// 1e-6 of values near 1000: the digits of the reference.
	for _, c := range []struct {
		year                    int
		level, variance         float64
		smoothLevel, smoothVari float64
	}{
		{1, 1120, 15099, 1111.66831913, 4032.15794181},
		{2, 1140.9278399, 7899.736379, 1110.85766462, 3242.93007322},
		{3, 1072.7985295, 5781.469939, 1105.26556731, 2818.94217005},
		{28, 1133.1262912, 4032.158207, 999.58521871, 2326.7569581},
		{29, 1037.2223255, 4032.158084, 950.93008674, 2326.75691724},
		{100, 798.3702926, 4032.157942, 798.37029261, 4032.15794181},
	} {
		i := c.year - 1
		assert.InDelta(t, c.level, filtered[i].Mean[0], 1e-6, "year %d", c.year)
		assert.InDelta(t, c.variance, filtered[i].Var(0), 1e-5, "year %d", c.year)
		assert.InDelta(t, c.smoothLevel, smoothed[i].Mean[0], 1e-6, "year %d", c.year)
		assert.InDelta(t, c.smoothVari, smoothed[i].Var(0), 1e-5, "year %d", c.year)
	}
	ahead, err := m.Forecast(s, nil, 1971, 1972, 1973)
	require.NoError(t, err)
	for h, want := range []float64{20600.25794181, 22069.35794181, 23538.45794181} {
		assert.InDelta(t, 798.37029261, ahead[h].Mean[0], 1e-6)
		assert.InDelta(t, want, ahead[h].Var(0)+m.Noise, 1e-5)
	}
}

func TestNileGaps(t *testing.T) {
	m := Trend{Noise: 15099, Level: 1469.1}
	filtered, err := m.Filter(gapped(), nil)
	require.NoError(t, err)
	for year, variance := range map[int]float64{21: 5501.29616011, 31: 20192.29616011, 40: 33414.19616011} {
		assert.InDelta(t, 1026.14155507, filtered[year-1].Mean[0], 1e-6)
		assert.InDelta(t, variance, filtered[year-1].Var(0), 1e-5)
	}
	assert.InDelta(t, 834.26141781, filtered[70].Mean[0], 1e-6)
	smoothed, err := m.Smooth(gapped(), nil)
	require.NoError(t, err)
	assert.InDelta(t, 893.79194485, smoothed[30].Mean[0], 1e-6)
	assert.InDelta(t, 9715.00554901, smoothed[30].Var(0), 1e-5)
	assert.InDelta(t, 837.40611795, smoothed[70].Mean[0], 1e-6)
	assert.InDelta(t, 9715.00590246, smoothed[70].Var(0), 1e-5)
}

// Level at t = 14 by generalised least squares (kriging).
func TestIrregularForecast(t *testing.T) {
	for _, c := range []struct {
		m              Trend
		mean, variance float64
	}{
		{Trend{Noise: 0.09, Level: 0.04}, 14.4735710311, 0.1802297260},
		{Trend{Noise: 0.09, Level: 0.04, Sloped: true}, 16.5239008837, 0.2772146242},
		{Trend{Noise: 0.09, Level: 0.01, Slope: 0.002, Sloped: true}, 16.5581468882, 0.2628484883},
	} {
		states, err := c.m.Forecast(irregular(), nil, 14)
		require.NoError(t, err)
		assert.InDelta(t, c.mean, states[0].Mean[0], 1e-9)
		assert.InDelta(t, c.variance, states[0].Var(0), 1e-9)
	}
}

// The end of the series of 500 at the discrete trend's ML variances
// (statsmodels): same level and covariance; the slope of the continuous trend
// has half a step's slope variance less.
func TestPeerStates(t *testing.T) {
	const level, slope = 0.0013256216, 4.096465e-06
	m := Trend{Noise: 0.094885593, Level: level + slope/6, Slope: slope, Sloped: true}
	s := peer(t)
	logLik, beta, err := m.LogLik(s)
	require.NoError(t, err)
	assert.InDelta(t, -164.98881310, logLik, 1e-8)
	states, err := m.Forecast(s, beta, 500, 501, 510, 530)
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{-16.66331836, -0.05581535}, states[0].Mean, 1e-6)
	assert.InDelta(t, 0.01440101, states[0].Cov[0], 1e-8)
	assert.InDelta(t, 0.0005742, states[0].Cov[1], 1e-8)
	assert.InDelta(t, 0.00010274-slope/2, states[0].Cov[3], 1e-8)
	for i, want := range [][2]float64{{-16.71913371, 0.11186336}, {-17.22147187, 0.1454683}, {-18.3377789, 0.3110187}} {
		assert.InDelta(t, want[0], states[i+1].Mean[0], 1e-5)
		assert.InDelta(t, want[1], states[i+1].Var(0)+m.Noise, 1e-7)
	}
}

// kriged is the state at time t by brute force: regression on all measurements
// at once, with an all but flat prior at time 0.
func kriged(m Trend, s Series, t float64) Normal {
	const flat = 1e5
	cov := func(a, b float64) float64 { // of level(a) with level(b)
		c := min(a, b)
		v := flat + m.Level*c
		if m.Sloped {
			v += flat*a*b + m.Slope*c*c*(3*max(a, b)-c)/6
		}
		return v
	}
	var at, y []float64
	for i, v := range s.Y {
		if !math.IsNaN(v) {
			at, y = append(at, s.Time[i]), append(y, v)
		}
	}
	n := len(at)
	k := mat.NewSymDense(n, nil)
	c := mat.NewVecDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			k.SetSym(i, j, cov(at[i], at[j]))
		}
		k.SetSym(i, i, k.At(i, i)+m.Noise)
		c.SetVec(i, cov(at[i], t))
	}
	var chol mat.Cholesky
	chol.Factorize(k)
	var w mat.VecDense
	_ = chol.SolveVecTo(&w, c)
	g := NewNormal(1)
	g.Mean[0] = mat.Dot(&w, mat.NewVecDense(n, y))
	g.Cov[0] = cov(t, t) - mat.Dot(&w, c)
	return g
}

func TestSmootherAgainstRegression(t *testing.T) {
	nan := math.NaN()
	s := Series{
		Time: []float64{0, 0.5, 1, 1, 1.5, 2.5, 3, 3, 4, 6, 7},
		Y:    []float64{nan, nan, 3, 3.4, nan, 4.1, nan, 3.8, 5, 4.9, nan},
	}
	for _, m := range []Trend{
		{Noise: 0.2, Level: 0.3},
		{Noise: 0.2, Level: 0.1, Slope: 0.05, Sloped: true},
		{Noise: 0.2, Sloped: true},
	} {
		states, err := m.Smooth(s, nil)
		require.NoError(t, err)
		for i, g := range states {
			want := kriged(m, s, s.Time[i])
			// The flat prior of the check is finite: about 1e-5 relative.
			assert.InDelta(t, want.Mean[0], g.Mean[0], 1e-4, "%+v at %d", m, i)
			assert.InDelta(t, want.Cov[0], g.Cov[0], 1e-4, "%+v at %d", m, i)
		}
		filtered, err := m.Filter(s, nil)
		require.NoError(t, err)
		assert.True(t, math.IsNaN(filtered[1].Mean[0]) && math.IsInf(filtered[1].Var(0), 1))
		last := len(states) - 1
		assert.InDeltaSlice(t, filtered[last].Mean, states[last].Mean, 1e-12, "the last smoothed state is the filtered one")
	}
}

// simulate draws a series with one regressor from the model itself.
func simulate(rng *rand.Rand, m Trend, beta float64, n int) (Series, []float64) {
	s := Series{X: make([][]float64, 1)}
	var time, level, slope float64
	truth := make([]float64, n)
	for i := range n {
		d := 0.2 + 1.6*rng.Float64()
		q11, q12, q22 := m.walk(d)
		time += d
		level += slope * d
		if q22 > 0 {
			v := math.Sqrt(q22) * rng.NormFloat64()
			slope += v
			level += q12/q22*v + math.Sqrt(q11-q12*q12/q22)*rng.NormFloat64()
		} else {
			level += math.Sqrt(q11) * rng.NormFloat64()
		}
		x := rng.NormFloat64()
		truth[i] = level
		s.Time, s.X[0] = append(s.Time, time), append(s.X[0], x)
		s.Y = append(s.Y, level+beta*x+math.Sqrt(m.Noise)*rng.NormFloat64())
	}
	return s, truth
}

func TestFitTrendRecoversTheTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	m := Trend{Noise: 1, Level: 0.2, Slope: 0.01, Sloped: true}
	s, truth := simulate(rng, m, 3, 4000)
	f, err := FitTrend(s, true)
	require.NoError(t, err)
	// About 4 standard errors at n = 4000.
	assert.InEpsilon(t, m.Noise, f.Noise, 0.12)
	assert.InEpsilon(t, m.Level, f.Level, 0.5)
	assert.InEpsilon(t, m.Slope, f.Slope, 0.5)
	assert.InDelta(t, 3, f.Beta[0], 4*math.Sqrt(f.BetaVar[0]))

	// The smoother's variance is that of its errors.
	states, err := m.Smooth(s, []float64{3})
	require.NoError(t, err)
	var z2 float64
	for i, g := range states {
		d := g.Mean[0] - truth[i]
		z2 += d * d / g.Var(0) / float64(len(states))
	}
	assert.InDelta(t, 1, z2, 0.15)
}

func TestTrendProperties(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	s, _ := simulate(rng, Trend{Noise: 1, Level: 0.3, Slope: 0.02, Sloped: true}, 1, 150)
	s.Y[10] = math.NaN()
	before := Series{Time: slices.Clone(s.Time), Y: slices.Clone(s.Y), X: [][]float64{slices.Clone(s.X[0])}}
	f, err := FitTrend(s, true)
	require.NoError(t, err)

	// A straight line added changes nothing; a factor c on y and u on time
	// changes the units only.
	const c, u = 1000.0, 250.0
	o := Series{X: s.X}
	for i, y := range s.Y {
		o.Time = append(o.Time, 5+u*s.Time[i])
		o.Y = append(o.Y, c*(y+7-0.4*s.Time[i]))
	}
	g, err := FitTrend(o, true)
	require.NoError(t, err)
	assert.InEpsilon(t, f.Noise*c*c, g.Noise, 1e-3)
	assert.InEpsilon(t, f.Level*c*c/u, g.Level, 1e-2)
	assert.InEpsilon(t, f.Slope*c*c/(u*u*u), g.Slope, 1e-2)
	assert.InEpsilon(t, f.Beta[0]*c, g.Beta[0], 1e-4)
	// n − 2 terms each shift by ln c; the flat slope by ln u.
	assert.InDelta(t, f.LogLik-147*math.Log(c)-math.Log(u), g.LogLik, 1e-6)

	// No other variances are likelier.
	top, _, err := f.Trend.LogLik(s)
	require.NoError(t, err)
	assert.InDelta(t, f.LogLik, top, 1e-9)
	for range 30 {
		m := f.Trend
		m.Noise *= math.Exp(0.2 * rng.NormFloat64())
		m.Level *= math.Exp(0.5 * rng.NormFloat64())
		m.Slope *= math.Exp(0.5 * rng.NormFloat64())
		l, _, err := m.LogLik(s)
		require.NoError(t, err)
		assert.LessOrEqual(t, l, top)
	}
	assert.Equal(t, len(before.Y), len(s.Y))
	s.Y[10], before.Y[10] = 0, 0 // NaN differs from itself
	assert.Equal(t, before, s, "the series is left as it was")
}

func TestTrendRefuses(t *testing.T) {
	long := Series{Time: []float64{1, 2, 3, 4, 5}, Y: []float64{1, 2, 1, 3, 2}}
	for name, c := range map[string]struct {
		s    Series
		want string
	}{
		"lengths":   {Series{Time: []float64{1}, Y: []float64{1, 2}}, "must be equal, not 1 and 2"},
		"falling":   {Series{Time: []float64{2, 1}, Y: []float64{1, 2}}, "time 2 of the series, 1, must be a finite number"},
		"infinite":  {Series{Time: []float64{1, 2}, Y: []float64{1, math.Inf(1)}}, "value 2 of the series is infinite"},
		"few":       {Series{Time: []float64{1, 2}, Y: []float64{1, 2}}, "the series has 2 measured points: this trend needs at least 3"},
		"empty":     {Series{}, "the series has 0 measured points: this trend needs at least 3"},
		"same time": {Series{Time: make([]float64, 4), Y: make([]float64, 4)}, "all points have the same time: a slope needs two times"},
		"regressor": {Series{Time: long.Time, Y: long.Y, X: [][]float64{{1}}}, "regressor 1 has 1 values where the series has 5"},
		"NaN x":     {Series{Time: long.Time, Y: long.Y, X: [][]float64{{1, 3, math.NaN(), 2, 7}}}, "regressor 1 is not a number at point 3"},
		"constant x": {
			Series{Time: long.Time, Y: long.Y, X: [][]float64{{1, 1, 1, 1, 1}}},
			"the regressors depend on each other or on the trend",
		},
		"straight": {Series{Time: long.Time, Y: []float64{1, 2, 3, 4, 5}}, "lies exactly on a line"},
	} {
		_, err := FitTrend(c.s, true)
		assert.ErrorContains(t, err, c.want, name)
	}
	_, _, err := Trend{Noise: -1}.LogLik(long)
	assert.ErrorContains(t, err, "of 0 or more, not -1")
	_, _, err = Trend{Slope: 1}.LogLik(long)
	assert.ErrorContains(t, err, "without slope")
	_, _, err = Trend{}.LogLik(long)
	assert.Error(t, err)
	_, err = Trend{Noise: 1}.Smooth(long, []float64{1})
	assert.ErrorContains(t, err, "must be equal, not 1 and 0")
	_, err = Trend{Noise: 1}.Forecast(long, nil, 3)
	assert.ErrorContains(t, err, "before the last point")
}

func BenchmarkSmooth500(b *testing.B) {
	s := peer(b)
	f, err := FitTrend(s, true)
	require.NoError(b, err)
	for b.Loop() {
		if _, err := f.Smooth(s, f.Beta); err != nil {
			b.Fatal(err)
		}
	}
}
