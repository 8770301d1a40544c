package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func evenGrid(lo, hi float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = lo + (hi-lo)*float64(i)/float64(n-1)
	}
	return out
}

func normalLogLik(grid []float64, b, sd float64) []float64 {
	out := make([]float64, len(grid))
	for i, x := range grid {
		out[i] = -(x - b) * (x - b) / (2 * sd * sd)
	}
	return out
}

// The eight schools of Rubin (1981), J. Educational Statistics 6:377: effects and their
// standard errors, and the posterior quartiles under a flat prior of τ, as printed in
// Gelman et al., Bayesian Data Analysis, tables 5.2 and 5.3 (from memory). They come from
// 200 simulations and are rounded: the standard error of a printed quartile is 0.7 to 1,
// hence the tolerance of 2. The outer quantiles printed there rest on 5 draws each and
// are not compared.
func TestPoolGroupsOnEightSchools(t *testing.T) {
	effects := []float64{28, 8, -3, 7, -1, 1, 18, 12}
	errs := []float64{15, 10, 16, 11, 9, 11, 10, 18}
	printed := [][3]float64{
		{7, 10, 16}, {3, 8, 12}, {2, 7, 11}, {4, 8, 11}, {1, 5, 10}, {2, 6, 10}, {7, 10, 15}, {3, 8, 13},
	}
	grid := evenGrid(-60, 80, 141)
	var rows [][]float64
	for i := range effects {
		rows = append(rows, normalLogLik(grid, effects[i], errs[i]))
	}
	var flat []float64
	for tau := 0.25; tau < 60; tau += 0.5 {
		flat = append(flat, tau)
	}
	p, err := PoolGroups(grid, rows, flat)
	require.NoError(t, err)
	for i, want := range printed {
		for k, q := range []float64{0.25, 0.5, 0.75} {
			assert.InDelta(t, want[k], p.Quantile(i, q), 2, "school %c, quantile %g", 'A'+i, q)
		}
	}
	// Complete pooling, printed there: 7.7 with variance 16.6 (standard error 4.1).
	p, err = PoolGroups(grid, rows, []float64{1e-3})
	require.NoError(t, err)
	for i := range effects {
		assert.InDelta(t, 7.7, p.Mean(i), 0.05, "printed to one digit")
		assert.InDelta(t, math.Sqrt(16.6), p.SD(i), 0.05)
	}
}

// With τ known and a flat mean the posterior has a closed form (Gelman et al., equations
// 5.17 and 5.20). The grid's step is a tenth of the smallest standard deviation: sums
// then differ from the integrals by less than the tolerance.
func TestPoolGroupsClosedForm(t *testing.T) {
	b, sd, tau := []float64{0.4, -0.2, 1.1}, []float64{0.3, 0.2, 0.5}, 0.4
	grid := evenGrid(-5, 5, 501)
	var rows [][]float64
	var w, wb float64
	for i := range b {
		rows = append(rows, normalLogLik(grid, b[i], sd[i]))
		wi := 1 / (sd[i]*sd[i] + tau*tau)
		w, wb = w+wi, wb+wi*b[i]
	}
	p, err := PoolGroups(grid, rows, []float64{tau})
	require.NoError(t, err)
	for i := range b {
		toMean := sd[i] * sd[i] / (sd[i]*sd[i] + tau*tau)
		mean := b[i] + toMean*(wb/w-b[i])
		variance := toMean*tau*tau + toMean*toMean/w
		assert.InDelta(t, mean, p.Mean(i), 1e-4)
		assert.InDelta(t, math.Sqrt(variance), p.SD(i), 2e-3)
		assert.InDelta(t, mean+NormalQuantile(0.9)*math.Sqrt(variance), p.Quantile(i, 0.9), 2e-3)
		assert.InDelta(t, 1-NormalCDF((0.3-mean)/math.Sqrt(variance)), p.Above(i, 0.3), 2e-3)
	}
	less := Groups{Grid: grid, Post: [][]float64{p.Less(0, 0.25, 0.2)}}
	assert.InDelta(t, p.Mean(0)-0.25, less.Mean(0), 1e-6)
	assert.InDelta(t, math.Hypot(p.SD(0), 0.2), less.SD(0), 1e-3)
	still := Groups{Grid: grid, Post: [][]float64{p.Less(0, 0.013, 0)}}
	assert.InDelta(t, p.Mean(0)-0.013, still.Mean(0), 1e-6, "a shift by a part of a step")
}

// More data narrow every group, few groups show no spread of nought, and the posterior
// covers the truth as often as it says: 80 % within four standard errors of that share.
func TestPoolGroupsCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	grid, taus := evenGrid(-3, 3, 121), HalfNormal(0.5, 16)
	covered, all := 0, 0
	for range 60 {
		tau := math.Abs(rng.NormFloat64()) * 0.5
		mu := 0.3 * rng.NormFloat64()
		var truth []float64
		var rows, more [][]float64
		for range 8 {
			theta := mu + tau*rng.NormFloat64()
			truth = append(truth, theta)
			b := theta + 0.3*rng.NormFloat64()
			rows, more = append(rows, normalLogLik(grid, b, 0.3)), append(more, normalLogLik(grid, b, 0.1))
		}
		p, err := PoolGroups(grid, rows, taus)
		require.NoError(t, err)
		narrow, err := PoolGroups(grid, more, taus)
		require.NoError(t, err)
		for i := range truth {
			all++
			if p.Quantile(i, 0.1) <= truth[i] && truth[i] <= p.Quantile(i, 0.9) {
				covered++
			}
			assert.Less(t, narrow.SD(i), p.SD(i))
		}
		assert.Positive(t, p.Tau)
	}
	share := float64(covered) / float64(all)
	assert.InDelta(t, 0.8, share, 4*math.Sqrt(0.8*0.2/float64(all)))
}

func TestPoolGroupsRefuses(t *testing.T) {
	grid := evenGrid(-1, 1, 5)
	ok := [][]float64{{0, 0, 0, 0, 0}}
	for name, ask := range map[string]func() (Groups, error){
		"no group":      func() (Groups, error) { return PoolGroups(grid, nil, []float64{1}) },
		"uneven grid":   func() (Groups, error) { return PoolGroups([]float64{0, 1, 3}, [][]float64{{0, 0, 0}}, []float64{1}) },
		"a short row":   func() (Groups, error) { return PoolGroups(grid, [][]float64{{0}}, []float64{1}) },
		"a spread of 0": func() (Groups, error) { return PoolGroups(grid, ok, []float64{0}) },
		"nothing is likely": func() (Groups, error) {
			none := math.Inf(-1)
			return PoolGroups(grid, [][]float64{{none, none, none, none, none}}, []float64{1})
		},
	} {
		_, err := ask()
		assert.Error(t, err, name)
	}
}
