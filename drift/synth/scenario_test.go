package synth

import (
	"testing"
	"time"
	_ "time/tzdata" // the test needs a zone that changes its clocks

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// mornings are moments of different seasons and weekdays, one on a day of 25
// hours.
func mornings(t *testing.T) []time.Time {
	t.Helper()
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	return []time.Time{
		time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC),
		time.Date(2026, 8, 30, 23, 0, 0, 0, time.UTC),
		time.Date(2026, 11, 1, 9, 0, 0, 0, zone),
	}
}

func TestEveryPartIsPlayed(t *testing.T) {
	for _, now := range mornings(t) {
		for seed := range uint64(3) {
			s := Open(seed, now)
			noon := time.Date(now.Year(), now.Month(), now.Day(), 12, 0, 0, 0, now.Location())
			require.Len(t, s.Truth.Machines, len(parts()))
			for _, p := range parts() {
				m := s.Truth.Machine(p.name)
				assert.True(t, p.shows(m, noon), "%s shows %s, seed %d, %s", p.name, p.role, seed, now)
				assert.Equal(t, p.role, s.Roles()[p.name])
				assert.Equal(t, p.grade, m.Grade)
			}
			checkTheCast(t, s, now)
		}
	}
}

// checkTheCast looks at the records alone.
func checkTheCast(t *testing.T, s *Scenario, now time.Time) {
	t.Helper()
	first, last := map[string]time.Time{}, map[string]*drift.Record{}
	for i := range s.History {
		r := &s.History[i]
		if r.Machine == "" {
			continue
		}
		if _, ok := first[r.Machine]; !ok {
			first[r.Machine] = r.Time
		}
		last[r.Machine] = r
	}
	silence := now.Sub(last["K-05"].Time).Hours() / 24
	assert.InDelta(t, 6, silence, 1, "silent for six days")
	assert.Less(t, now.Sub(first["M-05"]).Hours()/24, 11.0, "new")
	assert.Greater(t, now.Sub(first["K-01"]).Hours()/24, 140.0, "five months")
	assert.Equal(t, "Stoor Pass", last["K-03"].Site)
	for machine, r := range last {
		switch machine {
		case "K-05": // is silent
		case "M-02":
			assert.Less(t, now.Sub(r.Time).Hours(), 42.0, "%s gave up yesterday", machine)
		default:
			assert.Less(t, now.Sub(r.Time).Hours(), 26.0, "%s works", machine)
		}
	}
}

func TestScenarioGoesOn(t *testing.T) {
	now := mornings(t)[0]
	s := Open(1, now)
	ids := map[string]bool{}
	take := func(r drift.Record) {
		require.NoError(t, r.Check())
		require.False(t, ids[r.ID], r.ID)
		ids[r.ID] = true
	}
	for _, r := range s.History {
		require.False(t, r.Time.After(now))
		take(r)
	}
	before, machines := now, map[string]bool{}
	for before.Before(now.AddDate(0, 0, 20)) {
		r := s.Next()
		require.False(t, r.Time.Before(before))
		before = r.Time
		machines[r.Machine] = true
		take(r)
	}
	assert.Len(t, machines, len(parts()), "the silent one speaks again")
}

func TestScenarioRepeats(t *testing.T) {
	morning := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	a, b := Open(7, morning), Open(7, morning.Add(9*time.Hour))
	require.Less(t, len(a.History), len(b.History))
	assert.Equal(t, digest(a.History), digest(b.History[:len(a.History)]), "later that day it is the same story")
	for i := len(a.History); i < len(b.History)+200; i++ {
		r := a.Next()
		if i < len(b.History) {
			require.Equal(t, b.History[i], r)
		} else {
			require.Equal(t, b.Next(), r)
		}
	}
	assert.NotEqual(t, digest(a.History), digest(Open(8, morning).History))
}
