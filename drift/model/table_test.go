package model

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// With no more arcs burnt the table alone gives the chance: for every multiple
// the normal probability outside the window, the deviation being linear in the
// air.
func TestOutTableGivesTheChance(t *testing.T) {
	p := believed()
	f := newFake(p, 3)
	m := NewMachine("K-07", p)
	for range 40 {
		for _, ev := range f.session(Full, 30) {
			m.Take(&ev)
		}
	}
	table := m.OutTable()
	require.Len(t, table.Rows, multiples)
	rapid.Check(t, func(t *rapid.T) {
		air := [airTerms]float64{
			rapid.Float64Range(-5, 40).Draw(t, "thin"), rapid.Float64Range(-11, 25).Draw(t, "damp"), rapid.Float64Range(-5, 3).Draw(t, "warm"),
		}
		look := [outTerms]float64{1, 0, air[0], air[1], air[2]}
		chance := 0.0
		for _, r := range table.Rows {
			mean, v := 0.0, sq(table.Scatter*r.Multiple*(1+math.Pow(table.Worn/table.ScatterArcs, table.ScatterBend)))
			n := 0
			for i := range look {
				mean += look[i] * r.Mean[i]
				for j := range i + 1 {
					both := 2.0
					if i == j {
						both = 1
					}
					v += both * look[i] * look[j] * r.Cov[n]
					n++
				}
			}
			root := math.Sqrt(2 * v)
			chance += r.Weight / 2 * (math.Erfc((mean-table.Low)/root) + math.Erfc((table.High-mean)/root))
		}
		// Rounding of sums of some thirty terms.
		assert.InDelta(t, m.OutChance(air, 0), chance, 1e-9)
	})
}
