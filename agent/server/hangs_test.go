package server_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/reach"
	"arcdrift/agent/server"
)

// countedShared is a shared store that counts how often it is asked.
type countedShared struct {
	reach.Shared
	times int
}

func (a *countedShared) Document(string) ([]byte, int64, error) {
	a.times++
	return []byte("[]"), 1, nil
}

func (a *countedShared) SignIn(string) ([]byte, time.Time, bool, error) {
	a.times++
	return nil, time.Time{}, true, nil
}

// While the database does not answer, no page waits for it to say who asks.
func TestNobodyWaitsForADatabaseThatHangs(t *testing.T) {
	store := &countedShared{}
	hangs := errors.New("the database does not answer in time")
	away := server.WhileReady(store, func() error { return hangs })
	_, _, err := away.Document("accounts")
	require.ErrorIs(t, err, hangs)
	_, _, _, err = away.SignIn("token")
	require.ErrorIs(t, err, hangs)
	assert.Zero(t, store.times)

	back := server.WhileReady(store, func() error { return nil })
	body, version, err := back.Document("accounts")
	require.NoError(t, err)
	assert.Equal(t, "[]", string(body))
	assert.EqualValues(t, 1, version)
	_, _, found, err := back.SignIn("token")
	require.NoError(t, err)
	assert.True(t, found)
	assert.Equal(t, 2, store.times)
}
