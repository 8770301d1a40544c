package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// units20 are the 20 units of the NIST/SEMATECH e-Handbook, 8.4.1.2: ten failed,
// the test stopped at 500 h.
func units20() []Life {
	var lives []Life
	for _, t := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386} {
		lives = append(lives, Life{Length: t, Ended: true})
	}
	for range 10 {
		lives = append(lives, Life{Length: 500})
	}
	return lives
}

func TestWeibullReference(t *testing.T) {
	f, err := FitWeibull(units20())
	require.NoError(t, err)
	// The page prints 1.7208 and 606.5280; R's survreg, to 1e-13, gives the digits.
	assert.InDelta(t, 1.7207972608, f.Shape, 1e-6)
	assert.InDelta(t, 606.527558004, f.Scale, 1e-3)
	assert.InDelta(t, -75.13461816, f.LogLik, 1e-8)
	assert.InDeltaSlice(t, []float64{0.04241289365, 0.02712784240, 0.02712784240, 0.08515468874}, f.LogCov[:], 1e-6)
	for p, want := range map[float64]float64{0.1: 164.0224387, 0.5: 490.1737812, 0.9: 984.7896744} {
		assert.InDelta(t, want, f.Quantile(p), 1e-3)
	}

	// aircondit: hours between failures of an air conditioner, Proschan (1963),
	// Technometrics 5:375; no life cut short.
	var lives []Life
	for _, x := range []float64{3, 5, 7, 18, 43, 85, 91, 98, 100, 130, 230, 487} {
		lives = append(lives, Life{Length: x, Ended: true})
	}
	f, err = FitWeibull(lives)
	require.NoError(t, err)
	assert.InDelta(t, 0.793943807, f.Shape, 1e-6)
	assert.InDelta(t, 94.9648951, f.Scale, 1e-4)
	assert.InDelta(t, -67.61850987, f.LogLik, 1e-7)
}

func TestWeibullResidual(t *testing.T) {
	d := Weibull{Shape: 2.5, Scale: 1000}
	// Median of what is left, and P(+200): closed form, computed with scipy.
	for age, want := range map[float64][2]float64{
		0: {863.634901, 0.982270506}, 400: {512.016273, 0.837225428}, 800: {298.793094, 0.652093973},
	} {
		assert.InDelta(t, want[0], d.Residual(age, 0.5), 1e-6)
		assert.InDelta(t, want[1], d.Survival(age+200)/d.Survival(age), 1e-9)
	}
	assert.Equal(t, 0.0, d.Quantile(0))
	assert.Equal(t, inf, d.Quantile(1))
	assert.Equal(t, 1.0, d.Survival(-3))
	// Without wear, age does not matter.
	assert.InDelta(t, 7*math.Ln2, Weibull{Shape: 1, Scale: 7}.Residual(100, 0.5), 1e-12)
}

func TestWeibullRecoversTheTruth(t *testing.T) {
	rng := rand.New(rand.NewPCG(61, 62))
	truth := Weibull{Shape: 2.2, Scale: 800}
	var lives []Life
	for len(lives) < 3000 {
		// Watched from an age on, and to another, as records begin and end.
		l := Life{Length: truth.Quantile(rng.Float64()), Ended: true, From: 400 * rng.Float64()}
		if l.Length <= l.From {
			continue
		}
		if stop := l.From + 900*rng.Float64(); stop < l.Length {
			l.Length, l.Ended = stop, false
		}
		lives = append(lives, l)
	}
	before := slices.Clone(lives)
	f, err := FitWeibull(lives)
	require.NoError(t, err)
	assert.InDelta(t, math.Log(truth.Scale), math.Log(f.Scale), 4*math.Sqrt(f.LogCov[0]))
	assert.InDelta(t, -math.Log(truth.Shape), -math.Log(f.Shape), 4*math.Sqrt(f.LogCov[3]))
	table, err := NewLifeTable(lives)
	require.NoError(t, err)
	for _, age := range []float64{200, 500, 800, 1000} {
		got, se := table.Survival(age)
		assert.InDelta(t, truth.Survival(age), got, 4*se)
	}
	assert.Equal(t, before, lives)

	// Order and unit of time do not matter; weight 2 is the same life twice.
	var other, heavy, twice []Life
	for i := range lives {
		l := lives[len(lives)-1-i]
		l.Length, l.From = l.Length/60, l.From/60
		other = append(other, l)
		if i < 100 {
			l.Weight = 2
			heavy = append(heavy, l)
			l.Weight = 0
			twice = append(twice, l, l)
		}
	}
	g, err := FitWeibull(other)
	require.NoError(t, err)
	assert.InEpsilon(t, f.Shape, g.Shape, 1e-6)
	assert.InEpsilon(t, f.Scale/60, g.Scale, 1e-6)
	a, err := FitWeibull(heavy)
	require.NoError(t, err)
	b, err := FitWeibull(twice)
	require.NoError(t, err)
	// The search for the top of a likelihood ends a part in 10⁸ from it.
	assert.InEpsilon(t, b.Shape, a.Shape, 1e-7)
	ta, err := NewLifeTable(heavy)
	require.NoError(t, err)
	tb, err := NewLifeTable(twice)
	require.NoError(t, err)
	sa, ea := ta.Survival(10)
	sb, eb := tb.Survival(10)
	assert.InDelta(t, sb, sa, 1e-12)
	assert.InDelta(t, eb, ea, 1e-12)
}

func TestLifeTableReference(t *testing.T) {
	table, err := NewLifeTable(units20())
	require.NoError(t, err)
	// NIST's data; standard errors by R's survfit.
	greenwood := []float64{0.0487340, 0.0670820, 0.0798436, 0.0894427, 0.0968246, 0.1024695, 0.1066536, 0.1095445, 0.1112430, 0.1118034}
	for k, l := range units20()[:10] {
		s, se := table.Survival(l.Length)
		assert.InDelta(t, 1-0.05*float64(k+1), s, 1e-12)
		assert.InDelta(t, greenwood[k], se, 1e-7)
		s, _ = table.Survival(l.Length - 0.5)
		assert.InDelta(t, 1-0.05*float64(k), s, 1e-12, "a life counts up to its end")
	}
	assert.Equal(t, 500.0, table.Last)

	// Without censoring it is the plain share, and residual lives are order statistics.
	var all []Life
	for _, x := range []float64{5, 1, 4, 2, 3} {
		all = append(all, Life{Length: x, Ended: true})
	}
	table, err = NewLifeTable(all)
	require.NoError(t, err)
	s, _ := table.Survival(3)
	assert.InDelta(t, 0.4, s, 1e-15)
	s, se := table.Survival(5)
	assert.Equal(t, [2]float64{0, 0}, [2]float64{s, se})
	assert.Equal(t, 3.0, table.Residual(0, 0.5))
	assert.Equal(t, 1.0, table.Residual(3, 0.5))
	assert.Equal(t, 1.5, table.Residual(2.5, 0.5))
	assert.Equal(t, inf, table.Residual(5, 0.5))

	// Half of the lives went on past the table.
	table, err = NewLifeTable(units20())
	require.NoError(t, err)
	assert.Equal(t, 386.0, table.Residual(0, 0.5))
	assert.Equal(t, inf, table.Residual(0, 0.6))
	assert.Equal(t, 361.0-250, table.Residual(250, 2.0/15))

	// Seen late: at risk only from then on.
	table, err = NewLifeTable([]Life{{Length: 2, Ended: true}, {Length: 3, Ended: true}, {Length: 4, Ended: true, From: 2}})
	require.NoError(t, err)
	s, _ = table.Survival(2)
	assert.InDelta(t, 0.5, s, 1e-15)
	s, _ = table.Survival(3)
	assert.InDelta(t, 0.25, s, 1e-15)
}

func TestLivesRefuse(t *testing.T) {
	for want, lives := range map[string][]Life{
		"needs at least one life":                     nil,
		"life 1, from age 0 to -1 with weight 0":      {{Length: -1}},
		"life 2, from age 5 to 3 with weight 0, must": {{Length: 1}, {Length: 3, From: 5}},
		"life 1, from age 0 to 3 with weight NaN":     {{Length: 3, Weight: math.NaN()}},
	} {
		_, err := NewLifeTable(lives)
		assert.ErrorContains(t, err, want)
		_, err = FitWeibull(lives)
		assert.ErrorContains(t, err, want)
	}
	for _, lives := range [][]Life{{{Length: 3}}, {{Length: 3, Ended: true}, {Length: 3, Ended: true}, {Length: 9}}} {
		_, err := FitWeibull(lives)
		assert.ErrorContains(t, err, "ended at two different ages")
	}
	table, err := NewLifeTable([]Life{{Length: 3}})
	require.NoError(t, err)
	s, se := table.Survival(10)
	assert.Equal(t, [2]float64{1, 0}, [2]float64{s, se}, "nothing was seen to end")
	assert.Equal(t, inf, table.Residual(1, 0.1))
}

func BenchmarkFitWeibull1000(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	d := Weibull{2, 500}
	lives := make([]Life, 1000)
	for i := range lives {
		lives[i] = Life{Length: d.Quantile(rng.Float64()), Ended: i%3 > 0}
	}
	for b.Loop() {
		if _, err := FitWeibull(lives); err != nil {
			b.Fatal(err)
		}
	}
}
