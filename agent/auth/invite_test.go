package auth

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An invitation makes a secret once, for one, in time.
func TestInvitation(t *testing.T) {
	y := newYard(t, false)
	token, err := y.keys.Invite(Account{Name: "ines", Role: Crew}, noon)
	require.NoError(t, err)
	_, err = y.Authenticate(afar, "ines", token)
	require.ErrorIs(t, err, ErrWrong, "the token is no secret")
	_, err = y.Authenticate(afar, "ines", "")
	require.ErrorIs(t, err, ErrWrong)
	_, err = y.keys.Invite(Account{Name: "ines", Role: Manager}, noon)
	require.ErrorContains(t, err, "already")
	a, err := y.keys.Invited(token, noon)
	require.NoError(t, err)
	assert.Equal(t, Crew, a.Role)

	var all sync.WaitGroup
	secrets := make([]string, 20)
	for i := range secrets {
		all.Go(func() {
			keys, err := Open(y.keys.path) // another process each
			if err == nil {
				_, secrets[i], _ = keys.Accept(token, noon.Add(47*time.Hour))
			}
		})
	}
	all.Wait()
	won := 0
	for _, secret := range secrets {
		if secret == "" {
			continue
		}
		won++
		p, err := y.Authenticate(afar, "ines", secret)
		require.NoError(t, err)
		assert.Equal(t, Crew, p.Role)
	}
	assert.Equal(t, 1, won, "of all who press at once one is in")
	_, err = y.keys.Invited(token, noon)
	require.ErrorIs(t, err, ErrInvite)

	late, err := y.keys.Invite(Account{Name: "late", Role: Crew}, noon)
	require.NoError(t, err)
	_, _, err = y.keys.Accept(late, noon.Add(inviteHours*time.Hour))
	require.ErrorIs(t, err, ErrInvite)
	_, _, err = y.keys.Accept("", noon)
	require.ErrorIs(t, err, ErrInvite)
	require.NoError(t, y.keys.Remove("late"))
	_, _, err = y.keys.Accept(late, noon)
	require.ErrorIs(t, err, ErrInvite)
}

// A new secret and the one before are both right for the overlap, to the moment.
func TestRotation(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07")
	old := y.secrets["van-4"]
	before, err := y.Authenticate(afar, "van-4", old)
	require.NoError(t, err)
	fresh, err := y.keys.Rotate("van-4", time.Hour, y.at)
	require.NoError(t, err)
	for range 3 {
		for _, secret := range []string{old, fresh} {
			_, err = y.Authenticate(afar, "van-4", secret)
			require.NoError(t, err)
		}
	}
	held, err := y.Refresh(before)
	require.NoError(t, err)
	recalled, err := y.Resume(afar, "van-4", before.Mark())
	require.NoError(t, err)
	assert.Equal(t, before.Mark(), recalled.Mark())

	y.at = y.at.Add(time.Hour)
	_, err = y.Authenticate(afar, "van-4", old)
	require.ErrorIs(t, err, ErrWrong)
	_, err = y.Refresh(held)
	require.ErrorIs(t, err, ErrGone, "clients that use it are disconnected")
	_, err = y.Resume(afar, "van-4", before.Mark())
	require.ErrorIs(t, err, ErrGone)
	_, err = y.Authenticate(afar, "van-4", fresh)
	require.NoError(t, err)

	last, err := y.keys.Rotate("van-4", 0, y.at)
	require.NoError(t, err)
	_, err = y.Authenticate(afar, "van-4", fresh)
	require.ErrorIs(t, err, ErrWrong, "without an overlap at once")
	_, err = y.Authenticate(afar, "van-4", last)
	require.NoError(t, err)
	_, err = y.keys.Rotate("nobody", 0, y.at)
	require.ErrorContains(t, err, "there is no")
}

func TestLastUse(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07")
	y.add(t, "office", Reader)
	_, err := y.Authenticate(afar, "office", "guess")
	require.ErrorIs(t, err, ErrWrong)
	_, err = y.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.NoError(t, err)
	used, err := y.keys.Used()
	require.NoError(t, err)
	assert.Equal(t, map[string]time.Time{"van-4": noon}, used)
	y.at = y.at.Add(25 * time.Hour)
	again := NewAuthenticator(y.keys, Policy{}, func() time.Time { return y.at })
	_, err = again.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.NoError(t, err)
	used, err = y.keys.Used()
	require.NoError(t, err)
	assert.Equal(t, y.at, used["van-4"])
}
