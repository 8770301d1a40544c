package fit

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// nile is the yearly flow of the Nile at Aswan 1871–1970, 10⁸ m³: Durbin &
// Koopman (2012), chapter 2.
var nile = []float64{
	1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
	1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
	831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
	781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
	744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
}

// norris is NIST StRD Norris, y and x.
var norris = [][]float64{
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888, 884.6}, {9.2, 10.1}, {228.1, 226.5},
	{668.5, 666.3}, {998.5, 996.3}, {449.1, 448.6}, {778.9, 777}, {559.2, 558.2}, {0.3, 0.4},
	{0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338}, {448.9, 447.5}, {10.8, 11.6},
	{557.7, 556}, {228.3, 228.1}, {998, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3},
	{0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1}, {888, 887.2}, {998.5, 999}, {778.9, 779},
	{10.2, 11.1}, {117.6, 118.3}, {228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

// longley is NIST StRD Longley, y and six regressors.
var longley = [][]float64{
	{60323, 83, 234289, 2356, 1590, 107608, 1947},
	{61122, 88.5, 259426, 2325, 1456, 108632, 1948},
	{60171, 88.2, 258054, 3682, 1616, 109773, 1949},
	{61187, 89.5, 284599, 3351, 1650, 110929, 1950},
	{63221, 96.2, 328975, 2099, 3099, 112075, 1951},
	{63639, 98.1, 346999, 1932, 3594, 113270, 1952},
	{64989, 99, 365385, 1870, 3547, 115094, 1953},
	{63761, 100, 363112, 3578, 3350, 116219, 1954},
	{66019, 101.2, 397469, 2904, 3048, 117388, 1955},
	{67857, 104.6, 419180, 2822, 2857, 118734, 1956},
	{68169, 108.4, 442769, 2936, 2798, 120445, 1957},
	{66513, 110.8, 444546, 4681, 2637, 121950, 1958},
	{68655, 112.6, 482704, 3813, 2552, 123366, 1959},
	{69564, 114.2, 502601, 3931, 2514, 125368, 1960},
	{69331, 115.7, 518173, 4806, 2572, 127852, 1961},
	{70551, 116.9, 554894, 4007, 2827, 130081, 1962},
}

func years(y []float64) Series {
	s := Series{Y: slices.Clone(y)}
	for i := range y {
		s.Time = append(s.Time, float64(1871+i))
	}
	return s
}

// gapped is the Nile without the years 21–40 and 61–80.
func gapped() Series {
	s := years(nile)
	for i := 20; i < 40; i++ {
		s.Y[i], s.Y[i+40] = math.NaN(), math.NaN()
	}
	return s
}

// measuredOnly drops the missing points instead of marking them.
func measuredOnly(s Series) Series {
	var o Series
	for i, y := range s.Y {
		if !math.IsNaN(y) {
			o.Time, o.Y = append(o.Time, s.Time[i]), append(o.Y, y)
		}
	}
	return o
}

func irregular() Series {
	return Series{Time: []float64{0, 1.5, 2, 4, 7, 7.5, 11}, Y: []float64{10.2, 10.9, 10.7, 12.1, 13.0, 13.6, 15.2}}
}

// peer is the series of 500 points with three regressors described in
// testdata/reference/README.md.
func peer(t testing.TB) Series {
	f, err := os.Open("../../testdata/reference/peer_series_500.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	s := Series{X: make([][]float64, 3)}
	for i, row := range rows[1:] {
		var v [4]float64
		for j := range v {
			v[j], err = strconv.ParseFloat(row[j], 64)
			require.NoError(t, err)
		}
		s.Time, s.Y = append(s.Time, float64(i+1)), append(s.Y, v[0])
		for j := range s.X {
			s.X[j] = append(s.X[j], v[j+1])
		}
	}
	return s
}

// Reference values: computed with independent programs (R 4.2.2, statsmodels
// 0.13.5) and by generalised least squares; conventions as LogLik states them.
func TestTrendLogLikReference(t *testing.T) {
	for name, c := range map[string]struct {
		m    Trend
		s    Series
		want float64
	}{
		"nile":               {Trend{Noise: 15099, Level: 1469.1}, years(nile), -632.545625116},
		"nile with gaps":     {Trend{Noise: 15099, Level: 1469.1}, gapped(), -380.587062775},
		"nile gaps dropped":  {Trend{Noise: 15099, Level: 1469.1}, measuredOnly(gapped()), -380.587062775},
		"slope, gaps":        {Trend{Noise: 15000, Level: 1000, Slope: 5, Sloped: true}, gapped(), -378.553395010},
		"fixed drift, gaps":  {Trend{Noise: 15099, Level: 1469.1, Sloped: true}, gapped(), -377.934375002},
		"irregular":          {Trend{Noise: 0.09, Level: 0.04}, irregular(), -23.7458357107},
		"irregular, drift":   {Trend{Noise: 0.09, Level: 0.04, Sloped: true}, irregular(), -3.8235138003},
		"irregular, sloping": {Trend{Noise: 0.09, Level: 0.01, Slope: 0.002, Sloped: true}, irregular(), -3.5896590963},
	} {
		got, _, err := c.m.LogLik(c.s)
		require.NoError(t, err, name)
		assert.InDelta(t, c.want, got, 2e-9, name)
	}
}

func TestFitTrendReference(t *testing.T) {
	// Nile, local level: Durbin & Koopman (2012) 2.10 print 15099 and 1469.1;
	// an exact-diffuse filter in R gives 15098.520357, 1469.175439.
	f, err := FitTrend(years(nile), false)
	require.NoError(t, err)
	assert.InDelta(t, -632.545625103, f.LogLik, 1e-8)
	assert.InEpsilon(t, 15098.520357, f.Noise, 1e-4)
	assert.InEpsilon(t, 1469.175439, f.Level, 1e-3)
	assert.Equal(t, 100, f.N)

	// With gaps; the optimum is flat, the likelihood is not.
	f, err = FitTrend(gapped(), false)
	require.NoError(t, err)
	assert.InDelta(t, -380.007729121, f.LogLik, 1e-8)
	assert.InEpsilon(t, 17899.8426, f.Noise, 1e-4)
	assert.InEpsilon(t, 685.820988, f.Level, 1e-3)

	// With a slope: its variance is estimated as none at all.
	f, err = FitTrend(years(nile), true)
	require.NoError(t, err)
	assert.InDelta(t, -629.8728121, f.LogLik, 1e-6)
	assert.InEpsilon(t, 14678.01, f.Noise, 1e-3)
	assert.InEpsilon(t, 1752.77, f.Level, 1e-2)
	assert.Zero(t, f.Slope)

	// A step in 1899 leaves no wandering level: statsmodels, exact diffuse.
	s := years(nile)
	s.X = [][]float64{make([]float64, 100)}
	for i := 28; i < 100; i++ {
		s.X[0][i] = 1
	}
	f, err = FitTrend(s, false)
	require.NoError(t, err)
	assert.Zero(t, f.Level)
	assert.InDelta(t, -623.2922275+ln2Pi/2, f.LogLik, 1e-6)
	assert.InDelta(t, 16135.93, f.Noise, 0.01)
	assert.InDelta(t, -247.7777778, f.Beta[0], 1e-6)
}

func TestFitTrendWithRegressors(t *testing.T) {
	f, err := FitTrend(peer(t), true)
	require.NoError(t, err)
	assert.InDelta(t, -164.98881310, f.LogLik, 1e-7)
	assert.InEpsilon(t, 0.094885593, f.Noise, 1e-3)
	assert.InEpsilon(t, 4.096465e-06, f.Slope, 5e-3)
	// The discrete trend of the reference has level variance Level − Slope/6.
	assert.InEpsilon(t, 0.0013256216, f.Level-f.Slope/6, 5e-3)
	assert.InDeltaSlice(t, []float64{0.039038734, 0.0095800885, -0.15336519}, f.Beta, 2e-5)
	for i, se := range []float64{0.00498255, 0.00175563, 0.14576157} {
		assert.InEpsilon(t, se, math.Sqrt(f.BetaVar[i]), 1e-3)
	}
}

// A level that does not wander leaves plain regression with an intercept: NIST
// StRD, certified values.
func TestRegressionReference(t *testing.T) {
	columns := func(rows [][]float64) Series {
		s := Series{X: make([][]float64, len(rows[0])-1)}
		for i, row := range rows {
			s.Time, s.Y = append(s.Time, float64(i)), append(s.Y, row[0])
			for j := range s.X {
				s.X[j] = append(s.X[j], row[j+1])
			}
		}
		return s
	}
	_, beta, err := Trend{Noise: 1}.LogLik(columns(norris))
	require.NoError(t, err)
	assert.InEpsilon(t, 1.00211681802045, beta[0], 1e-13)

	// Nearly dependent regressors: Longley.
	_, beta, err = Trend{Noise: 1}.LogLik(columns(longley))
	require.NoError(t, err)
	for i, want := range []float64{
		15.0618722713733, -0.0358191792925910, -2.02022980381683, -1.03322686717359, -0.0511041056535807, 1829.15146461355,
	} {
		assert.InEpsilon(t, want, beta[i], 1e-8)
	}
}

func BenchmarkFitTrend500(b *testing.B) {
	s := peer(b)
	b.ReportAllocs()
	for b.Loop() {
		f, err := FitTrend(s, true)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(f.LogLik, "loglik")
	}
}
