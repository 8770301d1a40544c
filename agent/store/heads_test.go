package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Where a chain stood at a moment is the same after more has come and after compaction,
// whose blocks the moment may fall into.
func TestWhereAChainStoodStays(t *testing.T) {
	t.Parallel()
	s := open(t, dbPath(t))
	all := counts("K-07", 120)
	_, err := s.Append(all[:90], nil)
	require.NoError(t, err)
	heads := map[time.Time]string{}
	for i := range 90 {
		head, found, err := s.HeadAt("K-07", all[i].Received)
		require.NoError(t, err)
		require.True(t, found)
		require.Equal(t, uint64(i+1), head.Entries)
		require.Equal(t, uint64(i+1), head.Seq)
		heads[all[i].Received] = head.Chain
	}
	require.Len(t, heads, 90)
	_, found, err := s.HeadAt("K-07", all[0].Received.Add(-time.Nanosecond))
	require.NoError(t, err)
	require.False(t, found, "nothing had arrived")
	_, found, err = s.HeadAt("K-08", all[89].Received)
	require.NoError(t, err)
	require.False(t, found, "nobody has heard of it")

	_, err = s.Append(all[90:], nil)
	require.NoError(t, err)
	require.Positive(t, compact(t, s, 10, nil))
	for i := range 90 {
		head, _, err := s.HeadAt("K-07", all[i].Received)
		require.NoError(t, err)
		require.Equal(t, heads[all[i].Received], head.Chain, "entry %d", i)
	}
}

func TestPseudonymsAreThoseOfTheRecords(t *testing.T) {
	t.Parallel()
	s := open(t, dbPath(t))
	all := counts("K-07", 2)
	all[0].Operator, all[1].Operator = "A. Moor", "A. Moor"
	_, err := s.Append(all, nil)
	require.NoError(t, err)
	hidden, err := s.SincePseudonymous(0, 0, 0)
	require.NoError(t, err)
	names, err := s.Pseudonyms()
	require.NoError(t, err)
	require.Equal(t, map[string]string{"A. Moor": hidden[0].Operator}, names)
}
