package advise_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// alike is n machines with the same chance.
func alike(n int, p float64) []float64 { return slices.Repeat([]float64{p}, n) }

// When every machine has the same chance the count is binomial; the quantiles
// follow from the closed form, written out beside each.
func TestPairsToHoldBinomial(t *testing.T) {
	for _, c := range []struct {
		why         string
		chances     []float64
		probability float64
		want        int
	}{
		{"nothing to serve", nil, 0.99, 0},
		{"P(N=0) = 0.5^3 = 0.125", alike(3, 0.5), 0.125, 0},
		{"P(N<=1) = (1+3)/8 = 0.5", alike(3, 0.5), 0.5, 1},
		{"P(N<=1) = 0.5 falls short", alike(3, 0.5), 0.51, 2},
		{"P(N<=2) = 7/8", alike(3, 0.5), 0.875, 2},
		{"P(N<=3) = 1", alike(3, 0.5), 0.9, 3},
		{"all are certain", alike(7, 1), 0.95, 7},
		{"none ever", alike(7, 0), 0.99, 0},
		{"one certain, one never", []float64{1, 0}, 0.99, 1},
	} {
		t.Run(c.why, func(t *testing.T) {
			assert.Equal(t, c.want, advise.PairsToHold(c.chances, c.probability))
		})
	}
}

// Many machines with small chances approach a Poisson count (Le Cam 1960: the
// total variation distance is at most the sum of the squared chances, here below
// 0.004). For 1,000 arcs a month each, pairs that last 3,000 and a month of lead
// time the mean is machines/3, and tables of the Poisson distribution give the
// 95 % and 99 % quantiles below.
func TestPairsToHoldPoisson(t *testing.T) {
	for _, c := range []struct{ machines, want95, want99 int }{
		{5, 4, 5}, {20, 11, 13}, {50, 24, 27}, {300, 117, 124},
	} {
		mean := float64(c.machines) / 3
		many := alike(c.machines*10_000, mean/float64(c.machines*10_000))
		if c.machines == 300 {
			many = alike(300_000, mean/300_000) // 0.033 in Le Cam's bound, 1 s instead of 10
		}
		assert.Equal(t, c.want95, advise.PairsToHold(many, 0.95), "95 %% of %d", c.machines)
		assert.Equal(t, c.want99, advise.PairsToHold(many, 0.99), "99 %% of %d", c.machines)
	}
}

// The exact sum over all subsets is the definition; it is feasible up to a dozen.
func TestPairsToHoldIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		chances := rapid.SliceOfN(rapid.Float64Range(0, 1), 0, 10).Draw(t, "chances")
		probability := rapid.Float64Range(0.01, 0.999).Draw(t, "probability")
		exact := make([]float64, len(chances)+1)
		for subset := range 1 << len(chances) {
			p, k := 1.0, 0
			for i, c := range chances {
				if subset>>i&1 == 1 {
					p, k = p*c, k+1
				} else {
					p *= 1 - c
				}
			}
			exact[k] += p
		}
		hold := advise.PairsToHold(chances, probability)
		below, upTo := 0.0, 0.0
		for k, p := range exact {
			if k < hold {
				below += p
			}
			if k <= hold {
				upTo += p
			}
		}
		// 1e-9: both sums are of at most 1024 products rounded in the 16th digit.
		assert.GreaterOrEqual(t, upTo, probability-1e-9)
		assert.Less(t, below, probability+1e-9)
	})
}

// A wave of machines bought together needs more than the same mean spread over many
// would suggest when it is certain, and exactly as many as there are: what a
// Poisson rule cannot see.
func TestSparesByDepot(t *testing.T) {
	north := drift.Some[int64](1)
	got := advise.SparesByDepot([]advise.Demand{
		{Machine: "K-02", Depot: "south", Chance: drift.Some(0.1), LeadDays: 30, Assumed: true},
		{Machine: "K-01", Depot: "north", Chance: drift.Some(1.0), Held: north, LeadDays: 6},
		{Machine: "K-07", Depot: "north", Chance: drift.Some(1.0), Held: north, LeadDays: 1},
		{Machine: "K-09", Depot: "north", Held: north},
	})
	require.Len(t, got, 2)
	assert.Equal(t, advise.Spares{Depot: "north", Machines: 2, Unknown: 1, Expected: 2, Hold95: 2, Hold99: 2, Held: north, LeadDays: 6}, got[0])
	assert.Equal(t, "6 days", got[0].Lead())
	// P(N=0) = 0.9: not enough for 95 %.
	assert.Equal(t, advise.Spares{Depot: "south", Machines: 1, Expected: 0.1, Hold95: 1, Hold99: 1, LeadDays: 30, LeadAssumed: true}, got[1])
	assert.Equal(t, "30 days, assumed", got[1].Lead())
}

func TestChanceWithin(t *testing.T) {
	e := advise.Electrode{
		ToFailure:   &advise.Quantiles{P10: 200, P50: 600, P90: 1400},
		HorizonArcs: 6000, BeyondHorizon: drift.Some(0.02),
	}
	late := advise.Electrode{
		ToFailure:   &advise.Quantiles{P10: 3000, P50: 6000, P90: 6000},
		HorizonArcs: 6000, BeyondHorizon: drift.Some(0.7),
	}
	never := advise.Electrode{
		ToFailure:   &advise.Quantiles{P10: 6000, P50: 6000, P90: 6000},
		HorizonArcs: 6000, BeyondHorizon: drift.Some(0.96),
	}
	for _, c := range []struct {
		why  string
		e    advise.Electrode
		arcs float64
		want float64
	}{
		{"nothing burnt", e, 0, 0},
		{"half way to p10", e, 100, 0.05},
		{"at p10", e, 200, 0.1},
		{"half way to p50", e, 400, 0.3},
		{"at p90", e, 1400, 0.9},
		{"half way to the horizon", e, 3700, 0.94},
		{"at the horizon", e, 6000, 0.98},
		{"beyond it", e, 60000, 0.98},
		{"only p10 within the horizon", late, 4500, 0.2},
		{"no quantile within the horizon", never, 3000, 0.02},
	} {
		t.Run(c.why, func(t *testing.T) {
			p, ok := c.e.ChanceWithin(c.arcs).Get()
			require.True(t, ok)
			assert.InDelta(t, c.want, p, 1e-12) // rounding only
		})
	}
	assert.False(t, (&advise.Electrode{}).ChanceWithin(100).Known(), "no forecast, no chance")
}

// The count needs whole lead times of a fleet, not of an evening.
func BenchmarkPairsToHold(b *testing.B) {
	chances := make([]float64, 10_000)
	for i := range chances {
		chances[i] = math.Mod(float64(i)*0.618, 0.3)
	}
	for b.Loop() {
		advise.PairsToHold(chances, 0.99)
	}
}
