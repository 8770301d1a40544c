package synth

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// As many splices as a machine reports are known one by one, and as many of them are
// out as the chances say: of 50 machines over 60 days that is some 100,000 splices, so
// that 0.005 is more than three standard errors.
func TestEverySpliceHasItsTruth(t *testing.T) {
	t.Parallel()
	w, ok := WorldNamed("straight")
	require.True(t, ok)
	w.Splices = 1
	fleet := Make(w, 7, 50, time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC), 60)
	reported := map[string]int64{}
	for _, r := range fleet.Records {
		if r.Splice != nil {
			reported[r.Machine] += r.Splice.Count.Or(0)
		}
	}
	all, out, chance := 0.0, 0.0, 0.0
	for _, m := range fleet.Truth.Machines {
		made := 0
		for i := range m.Work {
			made += len(m.Work[i].Deviations)
			out += float64(m.Work[i].Out())
			chance += m.Work[i].Chance * float64(len(m.Work[i].Deviations))
		}
		all += float64(made)
		assert.EqualValues(t, reported[m.Name], made, m.Name)
	}
	t.Logf("%.0f splices, %.3f out, %.3f expected", all, out/all, chance/all)
	assert.InDelta(t, chance/all, out/all, 0.005)
}
