package fit

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Reference: exact rational recursion, the power of the Markov matrix, and the
// root formula of Feller (1968), XIII.7, agreeing to ten digits.
func TestRunChanceReference(t *testing.T) {
	for _, c := range []struct {
		n, k    int
		q, want float64
	}{
		{10, 3, 0.5, 65.0 / 128}, {20, 3, 0.5, 825259.0 / 1048576}, {100, 5, 0.5, 0.810109599196},
		{20, 3, 0.1, 0.0162138547483}, {50, 3, 0.1, 0.0425025209856}, {100, 3, 0.1, 0.0847651800612},
		{100, 3, 0.05, 0.0115809269242}, {200, 4, 0.1, 0.0175905560309}, {1000, 5, 0.1, 0.00892537284692},
		{30, 2, 0.2, 0.638551288012},
		{5, 5, 0.3, math.Pow(0.3, 5)}, {4, 5, 0.3, 0}, {7, 1, 0.2, 1 - math.Pow(0.8, 7)}, {9, 3, 1, 1}, {9, 3, 0, 0},
	} {
		got, err := RunChance(c.n, c.k, c.q)
		require.NoError(t, err)
		assert.InDelta(t, c.want, got, 1e-12, "%+v", c)
	}
}

// Every one of the 2¹² outcomes, counted.
func TestRunChanceByCounting(t *testing.T) {
	const n, q = 12, 0.3
	for k := 1; k <= 5; k++ {
		var want float64
		for outcome := range uint(1 << n) {
			ends := outcome // where a run of k starts
			for i := 1; i < k; i++ {
				ends &= outcome >> i
			}
			if ends != 0 {
				fails := float64(bits.OnesCount(outcome))
				want += math.Pow(q, fails) * math.Pow(1-q, n-fails)
			}
		}
		got, err := RunChance(n, k, q)
		require.NoError(t, err)
		assert.InDelta(t, want, got, 1e-13)
	}
}

func TestTrialsToRun(t *testing.T) {
	for _, c := range []struct {
		k           int
		q, mean, sd float64
	}{
		{3, 0.1, 1110, 1107.60553}, {3, 0.5, 14, 11.9163753}, {5, 0.5, 62, 58.2237065},
		{2, 0.2, 30, 28.6356421}, {3, 0.05, 8420, 8417.5519}, {4, 0.1, 11110, 11106.6102}, {4, 1, 4, 0},
	} {
		mean, sd, err := TrialsToRun(c.k, c.q)
		require.NoError(t, err)
		assert.InEpsilon(t, c.mean, mean, 1e-9)
		assert.InDelta(t, c.sd, sd, 1e-4)
	}
	mean, _, err := TrialsToRun(3, 0)
	require.NoError(t, err)
	assert.Equal(t, inf, mean)

	// The mean is Σ P(no run in n trials).
	var sum float64
	for n := range 2000 {
		p, err := RunChance(n, 2, 0.3)
		require.NoError(t, err)
		sum += 1 - p
	}
	mean, _, err = TrialsToRun(2, 0.3)
	require.NoError(t, err)
	assert.InDelta(t, mean, sum, 1e-9)
}

func TestRunRefuses(t *testing.T) {
	_, err := RunChance(5, 0, 0.1)
	assert.ErrorContains(t, err, "at least one failure, not 0")
	_, _, err = TrialsToRun(3, math.NaN())
	assert.ErrorContains(t, err, "between 0 and 1")
	_, err = Beta{1, 1}.RunChance(5, -1)
	assert.ErrorContains(t, err, "not -1")
	_, err = Beta{1, 1}.Update(3, 2)
	assert.ErrorContains(t, err, "3 failures in 2 trials")
	_, err = Beta{}.Update(1, 2)
	assert.ErrorContains(t, err, "two counts above 0")
}

// Reference: scipy 1.10.1.
func TestBeta(t *testing.T) {
	d, err := Beta{1, 19}.Update(3, 12)
	require.NoError(t, err)
	assert.Equal(t, Beta{4, 28}, d)
	assert.Equal(t, 0.125, d.Mean())
	assert.InDelta(t, 0.00331439394, d.Var(), 1e-11)
	for p, want := range map[float64]float64{0.05: 0.045300173, 0.5: 0.117178295, 0.95: 0.231502975} {
		assert.InDelta(t, want, d.Quantile(p), 1e-8)
		assert.InDelta(t, p, d.CDF(d.Quantile(p)), 1e-10)
	}
	assert.InDelta(t, 0.107004442, 1-d.CDF(0.2), 1e-9)
	assert.InDelta(t, 0.003342246, d.AllFail(3), 1e-9)
	assert.Equal(t, 1.0, d.AllFail(0))
}

// An uncertain rate makes runs likelier than its mean does; a well-known rate
// does not.
func TestBetaRunChance(t *testing.T) {
	rng := rand.New(rand.NewPCG(51, 52))
	d := Beta{2, 18}
	got, err := d.RunChance(30, 3)
	require.NoError(t, err)
	atMean, err := RunChance(30, 3, 0.1)
	require.NoError(t, err)
	assert.Greater(t, got, atMean)
	var seen float64
	const draws = 100000
	for range draws {
		q, run := d.Quantile(rng.Float64()), 0
		for range 30 {
			run++
			if rng.Float64() >= q {
				run = 0
			}
			if run == 3 {
				seen++
				break
			}
		}
	}
	// Simulation ±0.0007 a standard error, slices a little more.
	assert.InDelta(t, seen/draws, got, 0.004)
	sharp, err := Beta{1e5, 9e5}.RunChance(30, 3)
	require.NoError(t, err)
	assert.InEpsilon(t, atMean, sharp, 1e-3)
}
