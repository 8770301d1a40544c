package fleet_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift/fit"
	"arcdrift/drift/synth"
	"arcdrift/drift/whatif"
)

// truly is how many splices a policy would have let through out of tolerance, by what
// really was: the power needed in the early afternoon, in the morning's air, and the
// settings that the kept checks really left.
func truly(m *synth.Machine, days []whatif.Work, every int) (out, splices float64) {
	air := map[time.Time]float64{}
	for _, a := range m.Attempts {
		if a.Number == 1 {
			air[a.Time.Truncate(24*time.Hour)] = a.AirPct
		}
	}
	ln := func(pct float64) float64 { return 100 * math.Log1p(pct/100) }
	lo := -100 * math.Log1p(m.Tolerance/m.Model.Target) / m.Kappa
	hi := -100 * math.Log1p(-m.Tolerance/m.Model.Target) / m.Kappa
	setting, here := 0.0, 0.0
	var checked time.Time
	for i, d := range days {
		at := m.At(d.Day.Add(13 * time.Hour))
		if a, known := air[d.Day]; known {
			here = a
		}
		if i == 0 || d.Checked && (d.Forced || d.Day.Sub(checked) >= time.Duration(every)*24*time.Hour) {
			setting, checked = ln(at.SettingPct), d.Day
		}
		need := ln(at.RequiredPct) + ln(here) - setting
		out += d.Splices * (fit.NormalCDF((lo-need)/at.ScatterPct) + fit.NormalCDF((need-hi)/at.ScatterPct))
		splices += d.Splices
	}
	return out, splices
}

// What is said of checks that were left out is what would have come, by the truth of an
// invented fleet: the share out of tolerance lies in its interval, and what a longer
// interval adds is right within 8 of 1000 splices, as much as 9 machines and 60 days
// leave open.
func TestOtherIntervalsComeTrue(t *testing.T) {
	t.Parallel()
	start := time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)
	const days, draws = 120, 40
	world, ok := synth.WorldNamed("straight")
	require.True(t, ok)
	made := synth.Make(world, 7, 9, start, days)
	pasts, err := fleet.Replays(t.Context(), newMemoryReader(made.Records), start.AddDate(0, 0, days))
	require.NoError(t, err)
	var machines []whatif.Machine
	for i := range pasts {
		m := whatif.Machine{Name: pasts[i].Machine, Minutes: 5, Days: pasts[i].Work(start.AddDate(0, 0, days/2), draws, 1)}
		for j := range m.Days {
			m.Days[j].Site = "" // all in one place
		}
		machines = append(machines, m)
	}
	rows := whatif.Intervals(machines, []int{1, 2, 3, 5, 7}, draws, 1)
	require.Len(t, rows, 6)
	was := 0.0
	for _, r := range rows {
		out, splices := 0.0, 0.0
		for i := range machines {
			a, b := truly(made.Truth.Machine(machines[i].Name), machines[i].Days, r.Every)
			out, splices = out+a, splices+b
		}
		truth := 1000 * out / splices
		if r.Every == 0 {
			was = truth
		}
		t.Logf("every %d days: said %.1f (%.1f to %.1f), true %.1f; extra said %.1f, true %.1f of 1000", r.Every, r.Out.Mean, r.Out.Low, r.Out.High, truth, r.ExtraRate.Mean, truth-was)
		assert.True(t, r.Out.Low-10 <= truth && truth <= r.Out.High+10, "every %d days", r.Every)
		assert.InDelta(t, truth-was, r.ExtraRate.Mean, 8, "every %d days", r.Every)
	}
	assert.Less(t, rows[5].Checks, rows[1].Checks/2)
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
