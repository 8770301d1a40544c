package pgstore_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// A link is the one with which After ends: the state of a machine that was folded up to
// there is not behind.
func TestLinks(t *testing.T) {
	s := open(t, url(t))
	var entries []drift.Entry
	for _, name := range []string{"K-1", "K-2", "K-3"} {
		entries = append(entries, storetest.Calibration(name, 10), storetest.Calibration(name, 20))
	}
	entries = append(entries, storetest.Calibration("K-3", 30))
	_, err := s.Append(entries, nil)
	require.NoError(t, err)
	for _, name := range []string{"K-1", "K-2", "K-3"} {
		_, link, err := s.After(name, nil)
		require.NoError(t, err)
		links, err := s.Table().Links(t.Context(), []int{s.Slot(name)})
		require.NoError(t, err)
		assert.Equal(t, link, links[name])
		for other := range links {
			assert.Equal(t, s.Slot(name), s.Slot(other))
		}
	}
}
