package auth

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// inviteHours is how long an invitation is valid: a working day and the one after.
const inviteHours = 48

// ErrInvite is an invitation that is not valid.
var ErrInvite = errors.New("this invitation is not valid: it was used, or it is too old")

// newSecret makes a secret and its hash. 128 random bits cannot be found from their hash,
// however fast the hash is; a slow one would only load a small computer.
func newSecret() (secret, hash string, err error) {
	secret = rand.Text()
	raw, err := bcrypt.GenerateFromPassword([]byte(secret), bcrypt.MinCost)
	return secret, string(raw), err
}

// hashOf is the hash of the token of an invitation.
func hashOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// Invite makes a person's account that has no secret yet, and returns the token
// with which that person gets one, once.
func (k *Keys) Invite(a Account, now time.Time) (token string, err error) {
	token = rand.Text()
	a.Invite, a.InviteEnds = hashOf(token), now.UTC().Add(inviteHours*time.Hour)
	return token, k.add(a, now)
}

// Invited is the account that the token invites, or ErrInvite.
func (k *Keys) Invited(token string, now time.Time) (Account, error) {
	all, err := k.Accounts()
	if i := invited(all, token, now); err == nil && i >= 0 {
		return all[i], nil
	}
	return Account{}, errors.Join(err, ErrInvite)
}

func invited(all []Account, token string, now time.Time) int {
	return slices.IndexFunc(all, func(a Account) bool {
		return a.Invite != "" && now.Before(a.InviteEnds) && subtle.ConstantTimeCompare([]byte(a.Invite), []byte(hashOf(token))) == 1
	})
}

// Accept gives the account that the token invites a secret, and returns its name and the
// secret. The token is then used.
func (k *Keys) Accept(token string, now time.Time) (name, secret string, err error) {
	secret, hash, err := newSecret()
	if err != nil {
		return "", "", err
	}
	err = k.change(func(all []Account) ([]Account, error) {
		i := invited(all, token, now)
		if i < 0 {
			return nil, ErrInvite
		}
		a := &all[i]
		a.Hash, a.Invite, a.InviteEnds = hash, "", time.Time{}
		name = a.Name
		return all, nil
	})
	if err != nil {
		return "", "", err
	}
	return name, secret, nil
}

// Rotate gives an account a new secret and returns it. The previous secret stays valid
// for the overlap, so that nobody is locked out before the new one is in place.
func (k *Keys) Rotate(name string, overlap time.Duration, now time.Time) (secret string, err error) {
	secret, hash, err := newSecret()
	if err != nil {
		return "", err
	}
	return secret, k.change(func(all []Account) ([]Account, error) {
		i := slices.IndexFunc(all, func(a Account) bool { return a.Name == name })
		if i < 0 {
			return nil, NoAccount(name)
		}
		a := &all[i]
		a.Before, a.BeforeEnds = a.Hash, now.UTC().Add(overlap)
		if overlap <= 0 || a.Hash == "" {
			a.Before, a.BeforeEnds = "", time.Time{}
		}
		a.Hash, a.Invite, a.InviteEnds = hash, "", time.Time{}
		return all, nil
	})
}

// hashes are those of the secrets that are valid now.
func (a *Account) hashes(now time.Time) (out []string) {
	if a.Hash != "" {
		out = append(out, a.Hash)
	}
	if a.Before != "" && now.Before(a.BeforeEnds) {
		out = append(out, a.Before)
	}
	return out
}

// usedEvery is how often the last use of an account is written.
const usedEvery = 10 * time.Minute

// usedFile holds the last uses, apart from the accounts, which change seldom.
func (k *Keys) usedFile() string { return k.path + ".used" }

// Used returns when each account was last used, to about ten minutes.
func (k *Keys) Used() (map[string]time.Time, error) {
	raw, err := os.ReadFile(k.usedFile())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var out map[string]time.Time
	if err == nil {
		err = json.Unmarshal(raw, &out)
	}
	if err != nil {
		return nil, fmt.Errorf("the last uses of accounts cannot be read: %w", err)
	}
	return out, nil
}

// noteUse notes that the account was used. A failed write is ignored: it must not keep
// anybody out.
func (g *Authenticator) noteUse(name string) {
	now := g.now().UTC()
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.used == nil {
		if g.used, _ = g.keys.Used(); g.used == nil {
			g.used = map[string]time.Time{}
		}
	}
	last, seen := g.used[name]
	if seen && now.Sub(last) < usedEvery {
		return
	}
	g.used[name] = now.Truncate(time.Minute)
	if raw, err := json.Marshal(g.used); err == nil {
		_ = replaceFile(g.keys.usedFile(), raw)
	}
}
