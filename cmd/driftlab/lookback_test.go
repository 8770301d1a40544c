package main

import (
	"bytes"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
	"arcdrift/drift/synth"
)

// By hand: 10 splices of which 4 are out, stated 0.4, and 10 of which 1 is, stated 0.1.
func TestLookBacksAreScoredAsByHand(t *testing.T) {
	t.Parallel()
	days := []lookedBack{
		{stated: 0.4, workday: workday{made: 10, out: 4, chance: 0.4}, sincePass: true},
		{stated: 0.1, workday: workday{made: 10, out: 1, chance: 0.1}},
	}
	stated := func(l *lookedBack) float64 { return l.stated }
	// (4·0.6² + 6·0.4² + 1·0.9² + 9·0.1²)/20
	assert.InDelta(t, 0.165, brier(days, stated), 1e-12)
	pass := reviewed(days, func(l *lookedBack) bool { return l.sincePass })
	assert.Equal(t, review{made: 20, bad: 5, again: 10, missed: 1, brier: (6.0 + 1) / 20}, pass)
	assert.Equal(t, 10, atEqualMisses(days, 1, stated))
	assert.Equal(t, 20, atEqualMisses(days, 0, stated))
	assert.Equal(t, 0, atEqualMisses(days, 5, stated))
}

// On a small fleet the stated chances beat the base rate and every rule in use today,
// and reversed chances, the control, beat none.
func TestStatedChancesBeatTheRules(t *testing.T) {
	t.Parallel()
	w, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	w.Splices = 0.7
	small := world{w.Name, func(wish blind.Wish) *blind.Fleet { return fleetOf(w, wish) }}
	judged := trial{small, blind.Wish{Seed: 3, Machines: 8, Days: 60, Start: time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)}, 30}
	days, machines, err := judged.lookBack(t.Context())
	require.NoError(t, err)
	require.NotEmpty(t, days)
	pass := reviewed(days, func(l *lookedBack) bool { return l.sincePass })
	last := reviewed(days, func(l *lookedBack) bool { return l.lastDay })
	base := float64(pass.bad) / float64(pass.made)
	stated := brier(days, func(l *lookedBack) float64 { return l.stated })
	t.Logf("stated %.3f, base rate %.3f, since the last pass %.3f, last day %.3f", stated, base*(1-base), pass.brier, last.brier)
	// Measured one after another, what is found tells of the rest: less has to be measured.
	at := atEqualMisses(days, pass.missed, func(l *lookedBack) float64 { return l.stated })
	one := oneAfterAnother(machines, pass.missed)
	t.Logf("since the last pass %d, by stated chance %d, one after another %d", pass.again, at, one)
	assert.Less(t, one, pass.again)
	again, missed := machines[0].measure(0, rand.New(rand.NewPCG(1, 1)))
	made := 0
	for _, d := range machines[0].days {
		made += d.made
	}
	assert.Equal(t, made, again, "down to no chance at all, everything")
	assert.Zero(t, missed)
	for _, rival := range []float64{base * (1 - base), pass.brier, last.brier, base} {
		assert.Less(t, stated, rival)
		assert.Greater(t, brier(days, func(l *lookedBack) float64 { return 1 - l.stated }), rival)
	}
}

func TestTheLookBackCommandShowsItsTables(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	e := env{stdout: &out, stderr: &out}
	code := e.run(t.Context(), []string{"look-back", "--worlds", "healthy", "--fleets", "1", "--machines", "3", "--days", "40", "--jobs", "1"})
	assert.Zero(t, code)
	for _, text := range []string{"healthy 1", "all fleets", "Brier score", "since the last pass", "one after another", "by perfect knowledge of the day", "furthest"} {
		assert.Contains(t, out.String(), text)
	}
}
