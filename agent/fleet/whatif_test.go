package fleet_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift/synth"
	"arcdrift/drift/whatif"
)

// livedWith is how many of 1000 splices a fleet makes out of tolerance from a moment on, by
// what really is, if it lives with a check every so many days.
func livedWith(world synth.World, every, machines, days int, start, from time.Time) float64 {
	world.CheckEvery = every
	out, made := 0.0, 0.0
	for _, m := range synth.Make(world, 7, machines, start, days).Truth.Machines {
		for i := range m.Work {
			if w := &m.Work[i]; !w.To.Before(from) {
				out, made = out+w.Chance*float64(len(w.Deviations)), made+float64(len(w.Deviations))
			}
		}
	}
	return 1000 * out / made
}

// What is said of checks that were left out is held against the same fleet living with
// fewer checks: how it was lies in its range, more bad splices are foreseen where more
// come, but never more than come, as the replay states the least.
func TestOtherIntervalsComeTrue(t *testing.T) {
	t.Parallel()
	start := time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)
	const machines, days = 9, 120
	world, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	world.Splices = 1
	made := synth.Make(world, 7, machines, start, days)
	pasts, err := fleet.Replays(t.Context(), newMemoryReader(made.Records), start.AddDate(0, 0, days))
	require.NoError(t, err)
	from := start.AddDate(0, 0, days/2)
	r, err := whatif.Ask(pasts, whatif.Question{From: from, To: start.AddDate(0, 0, days), Every: []int{1, 2, 3, 5, 7}, Risk: 1}, func(n int, do func(int)) error {
		for i := range n {
			pasts[i].Model = "" // all in one place
			for j := range pasts[i].Entries {
				pasts[i].Entries[j].Site = ""
			}
			do(i)
		}
		return nil
	})
	require.NoError(t, err)
	require.Len(t, r.Intervals, 6)
	was := livedWith(world, 0, machines, days, start, from)
	for _, row := range r.Intervals {
		truth := livedWith(world, row.Every, machines, days, start, from)
		t.Logf("every %d days: said %.1f (%.1f to %.1f), true %.1f; extra said %.1f, true %.1f of 1000", row.Every, row.Out.Mean, row.Out.Low, row.Out.High, truth, row.ExtraRate.Mean, truth-was)
		assert.Less(t, row.ExtraRate.Mean, truth-was+10, "every %d days", row.Every)
		if row.Every < 2 {
			assert.True(t, row.Out.Low-10 <= truth && truth <= row.Out.High+10, "every %d days", row.Every)
			continue
		}
		assert.Greater(t, row.ExtraRate.Mean, 0.15*(truth-was), "every %d days", row.Every)
	}
	assert.Less(t, r.Intervals[5].Checks, r.Intervals[1].Checks/2)
}

// A whole fleet is asked about all three policies; each answer is there, by place, model
// and depot, the first row of each how it was.
func TestWhatIfAnswersForTheFleet(t *testing.T) {
	t.Parallel()
	start := time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)
	end := start.AddDate(0, 0, 200)
	book := newMemoryReader(lived(t, "straight", 6, 200))
	r, err := fleet.WhatIf(t.Context(), book, whatif.Question{From: start, Every: []int{3}, CleanAt: []float64{500}, Spares: []int{0, 2}, Risk: 1, Lead: whatif.DefaultLead}, end)
	require.NoError(t, err)
	require.NotEmpty(t, r.Intervals)
	splices := 0.0
	for i, row := range r.Intervals {
		assert.Equal(t, []int{0, 3}[i%2], row.Every)
		if i%2 == 0 {
			splices += row.Splices
			assert.Zero(t, row.Saved)
			assert.Zero(t, row.Extra)
		}
	}
	assert.Positive(t, splices)
	assert.Len(t, r.Advice, len(r.Intervals)/2)
	require.NotEmpty(t, r.Cleaning)
	assert.Zero(t, r.Cleaning[0].At)
	assert.Positive(t, r.Cleaning[1].Services.Mean)
	require.Len(t, r.Spares, 2)
	assert.Equal(t, r.Spares[0].Used, r.Spares[0].Short, "without a spare every pair is waited for")
	assert.LessOrEqual(t, r.Spares[1].Short, r.Spares[0].Short)
	assert.NotEmpty(t, r.Limits)
	_, err = fleet.WhatIf(t.Context(), book, whatif.Question{From: end, Every: []int{3}}, end)
	assert.ErrorContains(t, err, "must begin before it ends")
}
