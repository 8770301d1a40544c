package model

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// What is stated is the mean of its members by their weights, on the agent and from the
// table; without weights it is the model's chance.
func TestStatedChanceIsTheWeightedMean(t *testing.T) {
	p := believed()
	p.Firsts = 0.3
	f, m := newFake(p, 3), NewMachine("K-07", p)
	for range 30 {
		for _, ev := range f.session(Full, 30) {
			m.Update(&ev)
		}
	}
	there := Place{Air: [airTerms]float64{3, 0, 1}, Doubt: 0.5}
	assert.InDelta(t, m.OutChanceIn(there, 40), m.StatedOut(there, 40), 1e-12)
	assert.Equal(t, [...]float64{1, 0, 0}, m.OutTable().Weights)

	weights := []float64{0.5, 0.2, 0.1, 0.2}
	p.OutBlend[Full] = weights
	members, want := m.OutMembers(there, 40), 0.0
	for i, w := range weights {
		want += w * members[i]
	}
	assert.InDelta(t, want, m.StatedOut(there, 40), 1e-12)
	table := m.OutTable()
	got := table.Beside
	for i, w := range table.Weights {
		got += w * m.OutChanceIn(Place{there.Air, there.Doubt + table.Doubts[i]}, 40)
	}
	assert.InDelta(t, want, got, 1e-12)
	assert.Less(t, members[0], members[2], "in doubt it is out more often")
}

// Bad ends fail attempts too: where they explain all fails, the machine's own share is 0.
func TestOwnShareLeavesBadEndsOut(t *testing.T) {
	p := believed()
	p.Firsts, p.BadEnd = 0.03, 0.05
	m := NewMachine("K-07", p)
	assert.Zero(t, m.outByMachine())
	p.Firsts = 0.5
	assert.InDelta(t, 0.5, p.Fails(m.outByMachine()), 1e-12)
}
