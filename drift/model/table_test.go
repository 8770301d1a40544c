package model

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// With no more arcs burnt the table alone gives the chance: for every scatter scale
// the normal probability outside the window, the deviation being linear in the
// air.
func TestOutTableGivesTheChance(t *testing.T) {
	p := believed()
	f := newFake(p, 3)
	m := NewMachine("K-07", p)
	for range 40 {
		for _, ev := range f.session(Full, 30) {
			m.Update(&ev)
		}
	}
	table := m.OutTable()
	require.Len(t, table.Rows, scatterScales)
	rapid.Check(t, func(t *rapid.T) {
		air := [airTerms]float64{
			rapid.Float64Range(-5, 40).Draw(t, "thin air"), rapid.Float64Range(-11, 25).Draw(t, "damp"), rapid.Float64Range(-5, 3).Draw(t, "warm"),
		}
		look := [outTerms]float64{1, 0, air[0], air[1], air[2]}
		chance := 0.0
		for _, r := range table.Rows {
			mean, v := 0.0, sq(table.Scatter*r.ScatterScale*(1+math.Pow(table.ScatterAge/table.ScatterArcs, table.ScatterExponent)))
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
		assertShift(t, m, &table, air)
	})
}

// The change of required power is linear in the difference of the airs, under
// every scatter scale; its mean and variance are those of the mixture.
func assertShift(t *rapid.T, m *Machine, table *OutTable, air [airTerms]float64) {
	var mean, second float64
	for _, r := range table.Rows {
		mk, vk, n := 0.0, 0.0, 0
		for i := range outTerms {
			for j := range i + 1 {
				if i >= 2 && j >= 2 {
					both := 2.0
					if i == j {
						both = 1
					}
					vk += both * (air[i-2] - table.Air[i-2]) * (air[j-2] - table.Air[j-2]) * r.Cov[n]
				}
				n++
			}
		}
		for i := range airTerms {
			mk += (air[i] - table.Air[i]) * r.Mean[2+i]
		}
		mean += r.Weight * mk
		second += r.Weight * (vk + mk*mk)
	}
	wantMean, wantVariance := m.Shift(air)
	assert.InDelta(t, wantMean, mean, 1e-9)
	assert.InDelta(t, wantVariance, max(second-mean*mean, 0), 1e-8)
}
