package model

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/drifttest"
	"arcdrift/drift/fit"
)

func TestKeepingForgetsNothing(t *testing.T) {
	p := &Params{}
	drifttest.Fill(p, "Life.Weight")
	m := &Machine{filter: newFilter()}
	drifttest.Fill(m, "Machine.Name", "Machine.kind", "Machine.params", "Machine.silent", "filter.spare", "filter.spare2", "filter.trace")
	m.Name, m.kind, m.params, m.program = "K-07", p, p, m.modes[0].name
	m.derive()
	m.filter.spare, m.filter.spare2 = fit.NewNormal(states), fit.NewNormal(states)
	r := &Reader{}
	drifttest.Fill(r, "Reader.Settings")
	r.Settings = drift.Settings{AttemptLimit: 4}

	kept := m.AppendState(r.AppendState(nil))
	gotReader, rest, err := ReaderFromState(kept, r.Settings)
	require.NoError(t, err)
	assert.Equal(t, *r, gotReader)
	gotMachine, rest, err := MachineFromState(rest, "K-07", p)
	require.NoError(t, err)
	assert.Equal(t, m, gotMachine)
	assert.Empty(t, rest)

	other := Params{Sites: p.Sites} // without a bend, nothing reported
	pop := &Population{byKey: map[Key]*Params{{"type-1", "p"}: p, {"type-2", ""}: &other}, all: *p}
	got, err := PopulationFromState(pop.AppendState(nil))
	require.NoError(t, err)
	assert.Equal(t, pop, got)
	assert.Equal(t, &Population{byKey: map[Key]*Params{}}, must(t)(PopulationFromState((&Population{}).AppendState(nil))))
	t.Logf("kept of a machine: %d bytes; of a kind: %d", len(kept), len(pop.AppendState(nil))/3)
}

func must(t *testing.T) func(*Population, error) *Population {
	return func(p *Population, err error) *Population {
		require.NoError(t, err)
		return p
	}
}

// Another version's form, and one that is cut short anywhere, is refused.
func TestWhatCannotBeReadIsRefused(t *testing.T) {
	prior := Prior()
	m := NewMachine("K-07", &prior)
	pop := &Population{byKey: map[Key]*Params{{"type-1", "p"}: &prior}, all: prior}
	for name, c := range map[string]struct {
		kept []byte
		read func([]byte) error
	}{
		"machine":     {m.AppendState(nil), func(b []byte) error { _, _, err := MachineFromState(b, "K-07", &prior); return err }},
		"reader":      {(&Reader{}).AppendState(nil), func(b []byte) error { _, _, err := ReaderFromState(b, drift.Settings{}); return err }},
		"populations": {pop.AppendState(nil), func(b []byte) error { _, err := PopulationFromState(b); return err }},
	} {
		require.NoError(t, c.read(c.kept), name)
		for n := range c.kept {
			require.Error(t, c.read(c.kept[:n]), "%s cut after %d", name, n)
		}
		c.kept[0]++
		assert.Error(t, c.read(c.kept), "%s of another version", name)
	}
	_, err := PopulationFromState(append(pop.AppendState(nil), 0))
	assert.Error(t, err, "something behind it")
}

// BenchmarkKeep: a machine's bytes written and read.
func BenchmarkKeep(b *testing.B) {
	prior := Prior()
	m := NewMachine("K-07", &prior)
	var kept []byte
	b.ReportAllocs()
	for b.Loop() {
		kept = m.AppendState(kept[:0])
		if _, _, err := MachineFromState(kept, m.Name, &prior); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(kept)), "B/machine")
}
