package auth

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"maps"
	"net"
	"slices"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// Why somebody was not let in. What is told outside is no more than that.
var (
	ErrWho     = errors.New("a name and its secret are needed")
	ErrWrong   = errors.New("the name or the secret is wrong")
	ErrTooMany = errors.New("the name or the secret is wrong, as too many were that came from this address: wait a minute")
	ErrGone    = errors.New("the account was removed or has another secret")
	ErrID      = errors.New("the client id must be the name of the account")
)

// Wrong secrets that may be offered in a row, for one account from one address and
// from one address in all, and how long it takes to be granted one more. Secrets are
// 128 random bits: this spares the processor, not the secrets, and whoever says the
// right one is let in whatever others have said.
const (
	mostWrong     = 10
	mostWrongHere = 100
	oneMore       = 6 * time.Second
	// mostRemembered bounds what is remembered.
	mostRemembered = 4096
)

// Authenticator lets in. It is for many goroutines.
type Authenticator struct {
	keys   *Keys
	policy Policy
	now    func() time.Time

	slow  sync.Mutex // held while a secret is looked at of where too many were wrong
	mu    sync.Mutex
	known map[string]mark // hash → what was right when last checked
	wrong map[offerer]offers
	used  map[string]time.Time // when each account was last let in; nil until read
}

// offerer is who offers secrets: an account's name, "" for all, and an address.
type offerer struct{ name, from string }

// mark stands for a hash and the secret that fits it.
type mark [sha256.Size]byte

// offers counts wrong secrets; one is forgotten every oneMore.
type offers struct {
	n    int
	last time.Time
}

// Policy says who needs no account. The zero value is right for most: while there
// is no account, whoever is on this computer; once there is one, nobody.
type Policy struct {
	// Open: while there is no account, everybody may do everything from anywhere.
	Open bool
	// Loopback: whoever comes from this computer needs no account even when there
	// are some. A forwarder on it (a proxy, a tunnel) then lets in everybody.
	Loopback bool
}

// NewAuthenticator returns a guard by these accounts.
func NewAuthenticator(keys *Keys, policy Policy, now func() time.Time) *Authenticator {
	return &Authenticator{keys: keys, policy: policy, now: now, known: map[string]mark{}, wrong: map[offerer]offers{}}
}

// Admit lets in whoever comes from the address under that name.
func (g *Authenticator) Authenticate(from net.IP, name, secret string) (Principal, error) {
	accounts, read, err := g.keys.current()
	if err != nil {
		return Principal{}, err
	}
	if name == "" {
		return g.unnamed(from, accounts, read)
	}
	var hashes []string
	for _, a := range accounts {
		if a.Name == name {
			hashes = a.hashes(g.now())
		}
	}
	hash, err := g.check(from.String(), name, hashes, secret)
	if err != nil {
		return Principal{}, err
	}
	g.note(name)
	for _, a := range accounts {
		if a.Name == name {
			return a.pass(from, hash, read), nil
		}
	}
	return Principal{}, ErrWrong
}

// unnamed lets in whoever says no name.
func (g *Authenticator) unnamed(from net.IP, accounts []Account, read uint64) (Principal, error) {
	none := len(accounts) == 0
	if from.IsLoopback() && (none || g.policy.Loopback) || none && g.policy.Open {
		return Principal{Role: Manager, from: from, read: read}, nil
	}
	return Principal{}, ErrWho
}

// Recall lets in somebody who was let in before and has its pass's mark still. The
// error is ErrGone when its account was removed or has another secret.
func (g *Authenticator) Resume(from net.IP, name, mark string) (Principal, error) {
	accounts, read, err := g.keys.current()
	if err != nil {
		return Principal{}, err
	}
	for _, a := range accounts {
		if a.Name != name {
			continue
		}
		for _, hash := range a.hashes(g.now()) {
			if pass := a.pass(from, hash, read); subtle.ConstantTimeCompare([]byte(pass.Mark()), []byte(mark)) == 1 {
				g.note(name)
				return pass, nil
			}
		}
	}
	return Principal{}, ErrGone
}

// Holds returns the pass as the accounts now are, or ErrGone when what it was
// given for is no more: its account was removed, or has another secret. Whoever
// lets somebody do more than one thing asks before each.
func (g *Authenticator) Refresh(p Principal) (Principal, error) {
	accounts, read, err := g.keys.current()
	switch {
	case p.owner:
		return p, nil
	case err != nil:
		return p, err
	case !p.ends.IsZero() && !g.now().Before(p.ends):
		return Principal{}, ErrGone
	case read == p.read:
		return p, nil
	}
	if p.Name == "" {
		return g.unnamed(p.from, accounts, read)
	}
	for _, a := range accounts {
		if a.Name == p.Name && slices.Contains(a.hashes(g.now()), p.key) {
			return a.pass(p.from, p.key, read), nil
		}
	}
	return Principal{}, ErrGone
}

// nobody is the hash of a secret that was thrown away.
const nobody = "$2a$04$bmMmOQ8ifdmQxxM0uO3zb.fzwBdljf/9rV2K1MZ253eYVIzlaqpbm"

// check compares the secret with the hashes and returns the one it fits. One that
// was right before is known again at once. Where too many were wrong, others are
// looked at one after the other. A name without hashes takes as long as one with.
func (g *Authenticator) check(from, name string, hashes []string, secret string) (hash string, err error) {
	own, all := offerer{name, from}, offerer{"", from}
	offered := func(hash string) mark { return sha256.Sum256([]byte(hash + "\x00" + secret)) }
	g.mu.Lock()
	held := g.held(own, mostWrong) || g.held(all, mostWrongHere)
	for _, h := range hashes {
		right, seen := g.known[h]
		if now := offered(h); seen && subtle.ConstantTimeCompare(right[:], now[:]) == 1 {
			g.mu.Unlock()
			return h, nil
		}
	}
	g.mu.Unlock()
	if held {
		g.slow.Lock()
		defer g.slow.Unlock()
	}
	if len(hashes) == 0 {
		_ = bcrypt.CompareHashAndPassword([]byte(nobody), []byte(secret)) // it is wrong whatever it says
	}
	for _, h := range hashes {
		if bcrypt.CompareHashAndPassword([]byte(h), []byte(secret)) == nil {
			g.mu.Lock()
			defer g.mu.Unlock()
			g.known[h] = offered(h)
			return h, nil
		}
	}
	if held {
		return "", ErrTooMany
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.count(own)
	g.count(all)
	return "", ErrWrong
}

// held says whether more than most wrong secrets were offered lately.
func (g *Authenticator) held(who offerer, most int) bool {
	w, ok := g.wrong[who]
	return ok && w.n-int(g.now().Sub(w.last)/oneMore) >= most
}

// count notes one more wrong secret.
func (g *Authenticator) count(who offerer) {
	now := g.now()
	if len(g.wrong) >= mostRemembered {
		maps.DeleteFunc(g.wrong, func(_ offerer, w offers) bool { return w.n <= int(now.Sub(w.last)/oneMore) })
	}
	if len(g.wrong) >= mostRemembered {
		clear(g.wrong)
	}
	w := g.wrong[who]
	w.n = max(w.n-int(now.Sub(w.last)/oneMore), 0) + 1
	w.last = now
	g.wrong[who] = w
}

// MayConnect says whether the holder may use the client id: its own name. Who
// needed no name may not use anybody's. A second client with the same id ends
// the first one's connection, so an id is worth guarding.
func (g *Authenticator) MayConnect(p Principal, id string) error {
	if p.Name == id {
		return nil
	}
	if p.Name != "" {
		return ErrID
	}
	_, taken, err := g.keys.Find(id)
	if err == nil && taken {
		err = ErrID
	}
	return err
}
