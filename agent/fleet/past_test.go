package fleet_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/fleet"
	"arcdrift/drift"
	"arcdrift/drift/synth"
)

// shelf is a book in memory.
type shelf struct {
	names    []string
	machines map[string][]drift.Entry
	setups   []drift.Entry
}

func newShelf(records []drift.Record) *shelf {
	s := &shelf{machines: map[string][]drift.Entry{}}
	for i := range records {
		e := drift.Entry{Record: records[i], Received: records[i].Time}
		if e.Type == drift.TypeSetup {
			s.setups = append(s.setups, e)
			continue
		}
		if s.machines[e.Machine] == nil {
			s.names = append(s.names, e.Machine)
		}
		s.machines[e.Machine] = append(s.machines[e.Machine], e)
	}
	slices.Sort(s.names)
	return s
}

func (s *shelf) Machines() ([]string, error)             { return s.names, nil }
func (s *shelf) Setups() ([]drift.Entry, error)          { return slices.Clone(s.setups), nil }
func (s *shelf) Refused() (map[string]int, error)        { return nil, nil }
func (s *shelf) History(m string) ([]drift.Entry, error) { return slices.Clone(s.machines[m]), nil }

// lived is a small fleet of a world.
func lived(t testing.TB, world string, machines, days int) []drift.Record {
	t.Helper()
	w, ok := synth.WorldNamed(world)
	require.True(t, ok)
	return synth.Make(w, 7, machines, time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC), days).Records
}

func TestNothingLaterShowsInAPast(t *testing.T) {
	records := lived(t, "straight", 3, 60)
	asOf := records[len(records)/2].Time
	n := slices.IndexFunc(records, func(r drift.Record) bool { return r.Time.After(asOf) })
	whole, err := fleet.Pasts(newShelf(records), asOf)
	require.NoError(t, err)
	half, err := fleet.Pasts(newShelf(records[:n]), asOf)
	require.NoError(t, err)
	require.Len(t, whole, 3)
	assert.Equal(t, half, whole)
	for _, p := range whole {
		assert.Len(t, p.Calibrations, len(p.Events))
	}
}
