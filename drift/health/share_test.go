package health_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift/health"
)

// Closed cases: with part = 0 the upper end is z²/(n+z²), and the ends of any share solve
// the equation that defines them. Tolerance: rounding.
func TestShare(t *testing.T) {
	const z = 1.2816
	share, low, high := health.Share(0, 10, z)
	assert.Zero(t, share)
	assert.InDelta(t, 0, low, 1e-12)
	assert.InDelta(t, z*z/(10+z*z), high, 1e-12)
	for _, c := range [][2]int{{1, 3}, {7, 10}, {30, 31}, {500, 1000}} {
		n := float64(c[1])
		share, low, high := health.Share(c[0], c[1], z)
		for _, end := range []float64{low, high} {
			assert.InDelta(t, z*math.Sqrt(end*(1-end)/n), math.Abs(share-end), 1e-12, "%v", c)
		}
		assert.Less(t, low, share)
		assert.Greater(t, high, share)
	}
}
