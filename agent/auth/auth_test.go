package auth

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var (
	noon   = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	here   = net.ParseIP("127.0.0.1")
	afar   = net.ParseIP("192.0.2.7") // RFC 5737
	others = net.ParseIP("192.0.2.8")
)

// yard is a guard of a device, a reader and a writer, with their secrets.
type yard struct {
	*Authenticator
	keys    *Keys
	secrets map[string]string
	at      time.Time
}

func newYard(t *testing.T, open bool) *yard {
	t.Helper()
	keys, err := Open(filepath.Join(t.TempDir(), "access"))
	require.NoError(t, err)
	y := &yard{keys: keys, secrets: map[string]string{}, at: noon}
	y.Authenticator = NewAuthenticator(keys, Policy{Open: open}, func() time.Time { return y.at })
	return y
}

func (y *yard) add(t *testing.T, name string, role Role, machines ...string) {
	t.Helper()
	secret, err := y.keys.Add(Account{Name: name, Role: role, Machines: machines}, noon)
	require.NoError(t, err)
	y.secrets[name] = secret
}

func TestMachines(t *testing.T) {
	for _, c := range []struct {
		list          string
		covers, spare string
	}{
		{"K-07", "K-07", "K-08 K-0 K-070 k-07 *"},
		{"K-07 K-09", "K-07 K-09", "K-08"},
		{"K-0*", "K-0 K-07 K-0*", "K-17 L-07 k-07"},
		{"*", "K-07 anything", ""},
	} {
		m, err := ParseMachines(strings.Fields(c.list))
		require.NoError(t, err)
		for _, name := range strings.Fields(c.covers) {
			assert.True(t, m.Cover(name), "%s covers %s", c.list, name)
		}
		for _, name := range strings.Fields(c.spare) {
			assert.False(t, m.Cover(name), "%s covers %s", c.list, name)
		}
		assert.Equal(t, c.list == "*", m.Cover(""), "what holds for a fleet is for * only")
	}
	for _, bad := range [][]string{nil, {""}, {"a b"}, {"K-*7"}, {"**"}, {"../K"}, {"K-07", "+"}} {
		_, err := ParseMachines(bad)
		assert.Error(t, err, "%q", bad)
	}
}

func TestWithoutAccountsOnlyThisComputerIsAdmitted(t *testing.T) {
	y := newYard(t, false)
	p, err := y.Authenticate(here, "", "")
	require.NoError(t, err)
	assert.True(t, p.MayWrite("K-07") && p.MayWrite("") && p.MayReadAll())
	_, err = y.Authenticate(afar, "", "")
	require.ErrorIs(t, err, ErrWho)
	_, err = y.Authenticate(nil, "", "")
	require.ErrorIs(t, err, ErrWho, "an address that nobody knows is not here")
	_, err = y.Authenticate(here, "somebody", "x")
	require.ErrorIs(t, err, ErrWrong, "who says a name is held to it")

	y = newYard(t, true)
	p, err = y.Authenticate(afar, "", "")
	require.NoError(t, err)
	assert.Equal(t, Manager, p.Role)
	y.add(t, "van-4", Device, "K-07")
	_, err = y.Authenticate(afar, "", "")
	require.ErrorIs(t, err, ErrWho, "with the first account, openness ends")
}

func TestRoles(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07", "L-*")
	y.add(t, "office", Reader)
	y.add(t, "bench", Manager)
	for name, want := range map[string]struct{ own, other, fleet, all bool }{
		"van-4":  {true, false, false, false},
		"office": {false, false, false, true},
		"bench":  {true, true, true, true},
	} {
		p, err := y.Authenticate(afar, name, y.secrets[name])
		require.NoError(t, err)
		assert.Equal(t, name, p.Name)
		assert.Equal(t, want.own, p.MayWrite("K-07"), name)
		assert.Equal(t, want.own, p.MayWrite("L-1"), name)
		assert.Equal(t, want.other, p.MayWrite("K-08"), name)
		assert.Equal(t, want.fleet, p.MayWrite(""), name)
		assert.Equal(t, want.all, p.MayReadAll(), name)
		assert.Equal(t, want.all || want.own, p.MayRead("K-07"), name)
		assert.Equal(t, want.all, p.MayRead("K-08"), name)
	}
	for _, wrong := range []struct{ name, secret string }{
		{"van-4", ""}, {"van-4", "x"}, {"van-4", y.secrets["bench"]}, {"van-5", y.secrets["van-4"]}, {"Van-4", y.secrets["van-4"]},
		{"van-4", y.secrets["van-4"] + " "}, {"van-4", strings.Repeat("x", 100)},
	} {
		_, err := y.Authenticate(afar, wrong.name, wrong.secret)
		require.ErrorIs(t, err, ErrWrong, "%v", wrong)
	}
}

func TestWrongSecretsAreThrottled(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07")
	y.add(t, "bench", Manager)
	_, err := y.Authenticate(afar, "bench", y.secrets["bench"])
	require.NoError(t, err)
	for range maxFailures {
		_, err := y.Authenticate(afar, "van-4", "guess")
		require.ErrorIs(t, err, ErrWrong)
	}
	_, err = y.Authenticate(afar, "van-4", "guess")
	require.ErrorIs(t, err, ErrTooMany)
	_, err = y.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.NoError(t, err, "the right secret is never refused")
	_, err = y.Authenticate(afar, "bench", y.secrets["bench"])
	require.NoError(t, err, "who was let in before is not locked out by others behind the same address")
	_, err = y.Authenticate(others, "van-4", y.secrets["van-4"])
	require.NoError(t, err, "nor is another address")
	y.at = y.at.Add(failureEvery)
	_, err = y.Authenticate(afar, "van-4", "guess")
	require.ErrorIs(t, err, ErrWrong, "one more after a while")
	_, err = y.Authenticate(afar, "van-4", "guess")
	require.ErrorIs(t, err, ErrTooMany)
	y.at = y.at.Add(time.Hour)
	for i := range maxFailuresHere {
		_, err = y.Authenticate(afar, fmt.Sprint("nobody-", i), "guess")
		require.ErrorIs(t, err, ErrWrong, "an unknown name reads as a wrong secret")
	}
	_, err = y.Authenticate(afar, "nobody", "guess")
	require.ErrorIs(t, err, ErrTooMany, "of all names together")
	y.add(t, "fresh", Device, "K-07")
	_, err = y.Authenticate(afar, "fresh", y.secrets["fresh"])
	require.NoError(t, err, "nor is one that was never seen before")
	_, err = y.Authenticate(others, "van-4", "guess")
	require.ErrorIs(t, err, ErrWrong, "another address has a count of its own")
}

func TestRemovedAccountIsNotAdmitted(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07")
	y.add(t, "van-5", Device, "K-08")
	_, err := y.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.NoError(t, err)
	elsewhere, err := Open(y.keys.path) // another process
	require.NoError(t, err)
	require.NoError(t, elsewhere.Remove("van-4"))
	_, err = y.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.ErrorIs(t, err, ErrWrong)
	fresh, err := elsewhere.Add(Account{Name: "van-4", Role: Device, Machines: Machines{"K-07"}}, noon)
	require.NoError(t, err)
	_, err = y.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.ErrorIs(t, err, ErrWrong, "the old secret is worth nothing")
	_, err = y.Authenticate(afar, "van-4", fresh)
	require.NoError(t, err)
	require.ErrorContains(t, elsewhere.Remove("van-9"), "there is no")
	_, err = elsewhere.Add(Account{Name: "van-5", Role: Device, Machines: Machines{"K-07"}}, noon)
	require.ErrorContains(t, err, "already")
	_, err = elsewhere.Add(Account{Name: "../etc", Role: Device, Machines: Machines{"K-07"}}, noon)
	require.ErrorContains(t, err, "the name is")
}

func TestTheFileIsReadableForItsOwnerOnly(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07")
	raw, err := os.ReadFile(y.keys.path)
	require.NoError(t, err)
	assert.NotContains(t, string(raw), y.secrets["van-4"])
	info, err := os.Stat(y.keys.path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
	require.NoError(t, os.Chmod(y.keys.path, 0o644))
	_, err = Open(y.keys.path)
	require.ErrorContains(t, err, "chmod 600")
	require.NoError(t, os.Chmod(y.keys.path, 0o600))
	require.NoError(t, os.WriteFile(y.keys.path, []byte("{"), 0o600))
	_, err = y.Authenticate(afar, "van-4", y.secrets["van-4"])
	require.Error(t, err, "accounts that cannot be read let nobody in")
	_, err = y.Authenticate(here, "", "")
	require.Error(t, err)
}

func TestClientIDs(t *testing.T) {
	y := newYard(t, false)
	y.add(t, "van-4", Device, "K-07")
	own := Principal{Name: "van-4", Role: Device}
	require.NoError(t, y.MayConnect(own, "van-4"))
	require.ErrorIs(t, y.MayConnect(own, "van-5"), ErrID)
	require.ErrorIs(t, y.MayConnect(own, ""), ErrID)
	require.NoError(t, y.MayConnect(Principal{Role: Manager}, "anything"))
	require.ErrorIs(t, y.MayConnect(Principal{Role: Manager}, "van-4"), ErrID, "nobody takes over a device's connection")
}
