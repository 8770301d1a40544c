package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
)

// What was decided lies in the store's own file, so it is there after the file
// was closed and in a backup, and a store made before there were decisions takes
// them.
func TestDecisionsStayInTheFile(t *testing.T) {
	path := dbPath(t)
	parcels := []store.Parcel{{Queue: "mail", Key: "a", Body: []byte("1")}, {Queue: "mail", Key: "b", Body: []byte("2")}}
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Decide([]byte("state"), [][]byte{[]byte("ended")}, parcels))
	require.NoError(t, s.Settle("a"))
	require.NoError(t, s.Close())

	s = open(t, path)
	assert.Empty(t, s.Findings(), "the witness knows of records only")
	state, err := s.Decided()
	require.NoError(t, err)
	assert.Equal(t, "state", string(state))
	require.NoError(t, s.Decide([]byte("state"), nil, parcels))
	n, err := s.Waiting("mail")
	require.NoError(t, err)
	assert.Equal(t, 1, n, "what was settled before the restart does not come again")
	report, err := s.Verify()
	require.NoError(t, err)
	assert.Nil(t, report.First)
}

func TestSettledKeysAreForgottenInTheEnd(t *testing.T) {
	now := storetest.Received()
	s, err := store.Open(dbPath(t), func() time.Time { return now }, store.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	put := func(key string) (waiting int) {
		require.NoError(t, s.Decide(nil, nil, []store.Parcel{{Queue: "q", Key: key}}))
		n, err := s.Waiting("q")
		require.NoError(t, err)
		require.NoError(t, s.Settle(key))
		return n
	}
	require.Equal(t, 1, put("a"))
	now = now.AddDate(0, 0, 89)
	require.Equal(t, 1, put("b"))
	require.Zero(t, put("a"), "remembered for 90 days")
	now = now.AddDate(0, 0, 2)
	require.Equal(t, 1, put("c"))
	require.Equal(t, 1, put("a"), "and not for ever")
	require.Zero(t, put("b"))
}

func TestReadOnlyDecidesNothing(t *testing.T) {
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Close())
	s, err = store.Open(path, storetest.Received, store.Options{ReadOnly: true})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.ErrorIs(t, s.Decide([]byte("x"), nil, nil), store.ErrReadOnly)
	state, err := s.Decided()
	require.NoError(t, err)
	assert.Nil(t, state)
}
