package auth_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/auth"
)

// signIns are those of a database that can be away.
type signIns struct {
	all  map[string]time.Time
	away error
}

func (s *signIns) SignIn(token string) ([]byte, time.Time, bool, error) {
	ends, found := s.all[token]
	return []byte(token), ends, found, s.away
}

func (s *signIns) PutSignIn(token string, _ []byte, ends time.Time) error {
	if s.away == nil {
		s.all[token] = ends
	}
	return s.away
}

func (s *signIns) DropSignIn(token string) error {
	delete(s.all, token)
	return s.away
}

// Who signs in at one process is signed in at the other, and signs out of both. While the
// database is away, people stay signed in where they were seen.
func TestSharedSessions(t *testing.T) {
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	db := &signIns{all: map[string]time.Time{}}
	one, two := auth.ShareSessions(db, clock), auth.ShareSessions(db, clock)
	known := func(s *auth.Sessions, token string) bool {
		t.Helper()
		data, found, err := s.Find(token)
		require.NoError(t, err)
		return found && string(data) == token
	}
	require.NoError(t, one.Commit("crew", []byte("crew"), now.Add(time.Hour)))
	assert.True(t, known(one, "crew"))
	assert.True(t, known(two, "crew"))
	assert.False(t, known(two, "stranger"))

	db.away = errors.New("the database is away")
	now = now.Add(10 * time.Second)
	assert.True(t, known(two, "crew"))
	assert.False(t, known(two, "stranger"))
	require.ErrorIs(t, two.Commit("bench", []byte("bench"), now.Add(time.Hour)), db.away)
	assert.False(t, known(two, "bench"))

	db.away = nil
	require.NoError(t, one.Delete("crew"))
	now = now.Add(time.Second)
	assert.False(t, known(one, "crew"))
	assert.False(t, known(two, "crew"), "signed out of both")

	require.NoError(t, one.Commit("lead", []byte("lead"), now.Add(time.Hour)))
	assert.True(t, known(two, "lead"))
	now = now.Add(time.Hour)
	assert.False(t, known(two, "lead"), "it has ended")
}
