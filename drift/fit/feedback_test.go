package fit_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"arcdrift/drift/fit"
)

// feedbackState is a level and a setting that follows it, correlated.
func feedbackState() fit.Normal {
	g := fit.NewNormal(2)
	copy(g.Mean, []float64{1, 0.4})
	copy(g.Cov, []float64{2, 0.6, 0.6, 1.5})
	return g
}

// With nothing to learn from the outcome the setting is a plain linear
// combination: u' = u + G·(h·x + e), so that mean and covariance are those of
// the sum, whatever the share of spoilt attempts.
func TestFeedbackWithAWideWindowIsAPrediction(t *testing.T) {
	const gain, r, spoilt, width = 0.7, 0.5, 0.1, 3.0
	f := fit.Feedback{H: []float64{1, -1}, R: r, Lo: -1e3, Hi: 1e3, Within: true, Outlier: spoilt, Width: width, Moved: 1, Gain: gain}
	g := feedbackState()
	logLik, share := f.Observe(&g)
	assert.InDelta(t, 0, logLik, 1e-12)
	assert.InDelta(t, spoilt, share, 1e-12)

	// z = x0 − x1 + e: mean 0.6, variance 2 + 1.5 − 2·0.6 = 2.3 and the noise;
	// its covariances with the state are 2 − 0.6 and 0.6 − 1.5.
	noise := (1-spoilt)*r + spoilt*r*width*width
	assert.InDeltaSlice(t, []float64{1, 0.4 + gain*0.6}, g.Mean, 1e-12)
	cross := 0.6 + gain*1.4
	own := 1.5 + 2*gain*(0.6-1.5) + gain*gain*(2.3+noise)
	assert.InDeltaSlice(t, []float64{2, cross, cross, own}, g.Cov, 1e-12)
}

func TestFeedbackWithoutGainIsObservation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawNormal(t, 3)
		h := []float64{1, rapid.Float64Range(-1, 1).Draw(t, "h1"), -1}
		r := rapid.Float64Range(0.01, 4).Draw(t, "r")
		lo := rapid.Float64Range(-4, 2).Draw(t, "lo")
		hi := lo + rapid.Float64Range(0.1, 5).Draw(t, "width")
		f := fit.Feedback{H: h, R: r, Lo: lo, Hi: hi, Within: rapid.Bool().Draw(t, "within"), Width: 5, Moved: 2}
		ours, theirs := g.Clone(), g.Clone()
		logLik, _ := f.Observe(&ours)
		want := 0.0
		if f.Within {
			want = theirs.ObserveWithin(h, lo, hi, r)
		} else {
			want, _ = theirs.ObserveOutside(h, lo, hi, r, 0)
		}
		assert.InDelta(t, want, logLik, 1e-12)
		assert.InDeltaSlice(t, theirs.Mean, ours.Mean, 1e-10)
		assert.InDeltaSlice(t, theirs.Cov, ours.Cov, 1e-10)
		assert.Equal(t, []float64{1, h[1], -1}, f.H, "the row is the caller's")
	})

	// A spoilt attempt without any bound fails for sure and tells nothing: the
	// unrelated reason of ObserveOutside. At a width of 1e6 the chance that it
	// lands inside nevertheless is about 1e-6.
	ours, theirs := feedbackState(), feedbackState()
	f := fit.Feedback{H: []float64{1, -1}, R: 0.5, Lo: -1, Hi: 1, Outlier: 0.2, Width: 1e6, Moved: 1}
	logLik, spoilt := f.Observe(&ours)
	wantLik, wantSpoilt := theirs.ObserveOutside(f.H, f.Lo, f.Hi, f.R, f.Outlier)
	assert.InDelta(t, wantLik, logLik, 1e-5)
	assert.InDelta(t, wantSpoilt, spoilt, 1e-5)
	assert.InDeltaSlice(t, theirs.Mean, ours.Mean, 1e-5)
	assert.InDeltaSlice(t, theirs.Cov, ours.Cov, 1e-5)
}

// posterior integrates the joint density of both components, of the deviation z
// and of whether the attempt was spoilt over all that agrees with the outcome,
// and returns the moments of (x0, x1 + G·z).
func posterior(f fit.Feedback, g fit.Normal) (prob, spoilt float64, mean [2]float64, cov [4]float64) {
	bounds := [][2]float64{{f.Lo, f.Hi}}
	const far = 40 // beyond it there is nothing
	if !f.Within {
		bounds = [][2]float64{{-far, f.Lo}, {f.Hi, far}}
	}
	const panels, nodes = 6, 24
	var z, wz []float64
	for _, b := range bounds {
		step := (b[1] - b[0]) / panels
		for p := range panels {
			x, w := make([]float64, nodes), make([]float64, nodes)
			quad.Legendre{}.FixedLocations(x, w, b[0]+float64(p)*step, b[0]+float64(p+1)*step)
			z, wz = append(z, x...), append(wz, w...)
		}
	}
	density := func(x, v float64) float64 { return math.Exp(-x*x/v/2) / math.Sqrt(2*math.Pi*v) }
	sd0 := math.Sqrt(g.Cov[0])
	slope := g.Cov[1] / g.Cov[0]
	left := g.Cov[3] - slope*g.Cov[1]
	var first [2]float64
	var second [4]float64
	// The trapezoid rule is exact to rounding on densities this smooth.
	const reach, step = 7.0, 0.25
	for a := -reach; a <= reach; a += step {
		for b := -reach; b <= reach; b += step {
			x0 := g.Mean[0] + a*sd0
			x1 := g.Mean[1] + slope*a*sd0 + b*math.Sqrt(left)
			w := density(a, 1) * density(b, 1) * step * step
			at := f.H[0]*x0 + f.H[1]*x1
			for i := range z {
				good := (1 - f.Outlier) * density(z[i]-at, f.R)
				bad := f.Outlier * density(z[i]-at, f.R*f.Width*f.Width)
				p := w * wz[i] * (good + bad)
				y := [2]float64{x0, x1 + f.Gain*z[i]}
				prob += p
				spoilt += w * wz[i] * bad
				for j := range y {
					first[j] += p * y[j]
					for k := range y {
						second[2*j+k] += p * y[j] * y[k]
					}
				}
			}
		}
	}
	for j := range mean {
		mean[j] = first[j] / prob
	}
	for j := range mean {
		for k := range mean {
			cov[2*j+k] = second[2*j+k]/prob - mean[j]*mean[k]
		}
	}
	return prob, spoilt / prob, mean, cov
}

func TestFeedbackAgainstQuadrature(t *testing.T) {
	for name, f := range map[string]fit.Feedback{
		"pass":                    {Lo: -1.2, Hi: 1.5, Within: true, Gain: 0.6},
		"fail":                    {Lo: -1.2, Hi: 1.5, Gain: 0.6},
		"pass, ends may be bad":   {Lo: -1.2, Hi: 1.5, Within: true, Outlier: 0.1, Gain: 0.3},
		"fail, ends may be bad":   {Lo: -1.2, Hi: 1.5, Outlier: 0.1, Gain: 0.6},
		"fail far out, half bad":  {Lo: -4, Hi: 3.5, Outlier: 0.5, Gain: 0.8},
		"nothing moved, half bad": {Lo: -1, Hi: 1, Outlier: 0.5},
	} {
		f.H, f.R, f.Width, f.Moved = []float64{1, -1}, 0.8, 3, 1
		t.Run(name, func(t *testing.T) {
			g := feedbackState()
			prob, spoilt, mean, cov := posterior(f, g)
			logLik, share := f.Observe(&g)
			assert.InDelta(t, math.Log(prob), logLik, 1e-8)
			assert.InDelta(t, spoilt, share, 1e-8)
			assert.InDeltaSlice(t, mean[:], g.Mean, 1e-8)
			assert.InDelta(t, cov[0], g.Cov[0], 1e-8, "the level's own variance")
			assert.InDelta(t, cov[1], g.Cov[1], 1e-8)
			assert.InDelta(t, cov[2], g.Cov[2], 1e-8)
			assert.InDelta(t, cov[3], g.Cov[3], 1e-8)
		})
	}
}

// An outcome that may be wrong is a mixture of one that is right and one that says
// nothing, as the outcome of a window that nothing misses.
func TestFeedbackThatMayBeWrongIsAMixture(t *testing.T) {
	const wrong = 0.3
	for name, f := range map[string]fit.Feedback{
		"pass":            {Lo: -1.2, Hi: 1.5, Within: true, Gain: 0.6},
		"fail":            {Lo: -1.2, Hi: 1.5, Gain: 0.6},
		"unlikely pass":   {Lo: 5, Hi: 5.5, Within: true, Outlier: 0.1, Gain: 0.3},
		"unlikely fail":   {Lo: -6, Hi: 7, Outlier: 0.1, Gain: 0.8},
		"nothing follows": {Lo: -1, Hi: 1, Outlier: 0.5},
	} {
		f.H, f.R, f.Width, f.Moved = []float64{1, -1}, 0.8, 3, 1
		right, nothing, both := feedbackState(), feedbackState(), feedbackState()
		like, spoilt := f.Observe(&right)
		blind := f
		blind.Lo, blind.Hi, blind.Within, blind.Outlier = -1e3, 1e3, true, 0
		blind.Observe(&nothing)
		f.Wrong = wrong
		got, share := f.Observe(&both)

		a, b := (1-wrong)*math.Exp(like), wrong/2
		assert.InDelta(t, math.Log(a+b), got, 1e-12, name)
		right.Blend(&nothing, b/(a+b))
		assert.InDeltaSlice(t, right.Mean, both.Mean, 1e-9, name)
		assert.InDeltaSlice(t, right.Cov, both.Cov, 1e-9, name)
		want := spoilt
		if !f.Within {
			want += b / (a + b) * (1 - spoilt)
		}
		assert.InDelta(t, want, share, 1e-12, name)
	}
}

// A small scatter finds it all but impossible that an attempt fails again after a
// correction. It must not be carried off, twice as far with every such session.
func TestFeedbackIsNotCarriedOffByTheImpossible(t *testing.T) {
	reach := func(wrong float64) float64 {
		g := fit.NewNormal(2)
		g.Reset(0, 0, 4)
		g.Reset(1, 0, 8)
		f := fit.Feedback{H: []float64{1, -1}, R: 0.01, Lo: -5, Hi: 5, Outlier: 0.02, Width: 5, Wrong: wrong, Moved: 1, Gain: 0.8}
		for range 40 {
			for try := range 4 {
				f.Within = try == 3
				f.Observe(&g)
			}
			g.AddVariance(0, 0.01)
		}
		return math.Abs(g.Mean[0]) + math.Sqrt(g.Cov[0])
	}
	assert.Greater(t, reach(0), 1e6)
	assert.Less(t, reach(1e-3), 100.0)
}

func TestFeedbackKeepsACovariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawNormal(t, 3)
		lo := rapid.Float64Range(-6, 4).Draw(t, "lo")
		f := fit.Feedback{
			H: []float64{1, rapid.Float64Range(-1, 1).Draw(t, "h1"), -1}, R: rapid.Float64Range(0.01, 4).Draw(t, "r"),
			Lo: lo, Hi: lo + rapid.Float64Range(0.1, 5).Draw(t, "width"), Within: rapid.Bool().Draw(t, "within"),
			Outlier: rapid.Float64Range(0, 0.9).Draw(t, "spoilt"), Width: rapid.Float64Range(1, 8).Draw(t, "wide"),
			Wrong: rapid.Float64Range(0, 0.5).Draw(t, "wrong"),
			Moved: 2, Gain: rapid.Float64Range(0, 1.5).Draw(t, "gain"),
		}
		before := g.Clone()
		logLik, spoilt := f.Observe(&g)
		require.LessOrEqual(t, logLik, 1e-12)
		require.True(t, spoilt >= 0 && spoilt <= 1, "%v", spoilt)
		requireCovariance(t, g)
		if f.Gain == 0 {
			return
		}
		// What is not moved learns the same whatever the gain.
		f.Gain = 0
		f.Observe(&before)
		for i := range 2 {
			assert.InDelta(t, before.Mean[i], g.Mean[i], 1e-9)
			assert.InDelta(t, before.Var(i), g.Var(i), 1e-9)
		}
	})
}

// drawNormal draws a joint distribution of n numbers, none of them sure.
func drawNormal(t *rapid.T, n int) fit.Normal {
	g := fit.NewNormal(n)
	root := mat.NewDense(n, n, nil)
	for i := range n {
		g.Mean[i] = rapid.Float64Range(-4, 4).Draw(t, "mean")
		for j := range i + 1 {
			root.Set(i, j, rapid.Float64Range(-2, 2).Draw(t, "root"))
		}
		root.Set(i, i, rapid.Float64Range(0.1, 2).Draw(t, "own"))
	}
	var cov mat.Dense
	cov.Mul(root, root.T())
	copy(g.Cov, cov.RawMatrix().Data)
	return g
}

// requireCovariance says that the matrix is symmetric and without a negative
// eigenvalue, but for rounding.
func requireCovariance(t require.TestingT, g fit.Normal) {
	n := len(g.Mean)
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range n {
			require.InDelta(t, g.Cov[j*n+i], g.Cov[i*n+j], 1e-9)
			s.SetSym(min(i, j), max(i, j), g.Cov[i*n+j])
		}
	}
	var eigen mat.EigenSym
	require.True(t, eigen.Factorize(s, false))
	require.GreaterOrEqual(t, eigen.Values(nil)[0], -1e-9*math.Max(1, mat.Trace(s)))
}

// A setting nobody tells, followed through its feedback alone: after 40 outcomes
// the distribution of level minus setting is as sure as feedback makes it, and
// the truth lies in it as often as it says.
func TestFeedbackRecovers(t *testing.T) {
	inside, settled := 0, 0
	const machines = 60
	for seed := range uint64(machines) {
		rng := rand.New(rand.NewPCG(seed, 51))
		level, set := 4*rng.NormFloat64(), 0.0
		g := fit.NewNormal(2)
		copy(g.Cov, []float64{16, 0, 0, 1e-6})
		for range 40 {
			z := level + rng.NormFloat64() - set
			f := fit.Feedback{H: []float64{1, -1}, R: 1, Lo: -2, Hi: 2, Within: math.Abs(z) <= 2, Width: 5, Moved: 1, Gain: 0.5}
			f.Observe(&g)
			set += 0.5 * z
		}
		off := math.Abs(g.Mean[0] - g.Mean[1] - (level - set))
		sd := math.Sqrt(g.Cov[0] + g.Cov[3] - 2*g.Cov[1])
		if off < 1.6449*sd {
			inside++
		}
		if sd < 0.9 {
			settled++
		}
	}
	// 90 % intervals over 60 machines: 54 expected, standard deviation 2.3; four
	// of them either way.
	assert.InDelta(t, 54, inside, 9)
	assert.Equal(t, machines, settled, "with gain 1/2 the deviation settles at sd 0.58, whatever the start")
}
