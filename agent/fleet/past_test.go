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

// memoryReader is a reader in memory.
type memoryReader struct {
	names    []string
	machines map[string][]drift.Entry
	setups   []drift.Entry
}

func newMemoryReader(records []drift.Record) *memoryReader {
	s := &memoryReader{machines: map[string][]drift.Entry{}}
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

func (s *memoryReader) Machines() ([]string, error)      { return s.names, nil }
func (s *memoryReader) Setups() ([]drift.Entry, error)   { return slices.Clone(s.setups), nil }
func (s *memoryReader) Refused() (map[string]int, error) { return nil, nil }
func (s *memoryReader) History(m string) ([]drift.Entry, error) {
	return slices.Clone(s.machines[m]), nil
}

// lived is a small invented fleet.
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
	whole, err := fleet.Pasts(newMemoryReader(records), asOf)
	require.NoError(t, err)
	half, err := fleet.Pasts(newMemoryReader(records[:n]), asOf)
	require.NoError(t, err)
	require.Len(t, whole, 3)
	assert.Equal(t, half, whole)
	for _, p := range whole {
		assert.Len(t, p.Calibrations, len(p.Events))
	}
}
