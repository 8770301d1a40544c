package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

// proofs are what a pack of proof says of the store itself.
func proofs(t *testing.T, s Store) {
	assert.NotEmpty(t, s.Name())
	late := Calibration("K-07", 2)
	late.Received = Received().Add(time.Hour)
	placed := keep(t, s, Calibration("K-07", 1), by("Ada Ruiz", 3), late)

	before, found, err := s.HeadAt("K-07", Received())
	require.NoError(t, err)
	require.True(t, found)
	assert.EqualValues(t, 2, before.Entries)
	assert.Equal(t, placed[1].Seq, before.Seq)
	assert.NotEmpty(t, before.Chain)
	after, found, err := s.HeadAt("K-07", late.Received)
	require.NoError(t, err)
	require.True(t, found)
	assert.EqualValues(t, 3, after.Entries)
	assert.NotEqual(t, before.Chain, after.Chain)
	for _, machine := range []string{"K-07", "K-08"} {
		_, found, err = s.HeadAt(machine, Received().Add(-time.Second))
		require.NoError(t, err)
		assert.False(t, found, machine)
	}

	names, err := s.Pseudonyms()
	require.NoError(t, err)
	require.Len(t, names, 1)
	assert.True(t, drift.IsPseudonym(names["Ada Ruiz"]))
}
