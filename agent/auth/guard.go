package auth

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"net"
	"sync"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// Why somebody was not let in. What is told outside is no more than that.
var (
	ErrWho     = errors.New("a name and its secret are needed")
	ErrWrong   = errors.New("the name or the secret is wrong")
	ErrTooMany = errors.New("too many wrong secrets came from this address: wait a minute")
	ErrGone    = errors.New("the account was removed or has another secret")
	ErrID      = errors.New("the client id must be the name of the account")
)

// Wrong secrets that an address may offer in a row, and how long it takes to be
// granted one more. Secrets are 128 random bits, so this spares the processor
// rather than the secrets.
const (
	mostWrong = 10
	oneMore   = 6 * time.Second
	// mostAddresses bounds what is remembered.
	mostAddresses = 4096
)

// Guard lets in. It is for many goroutines.
type Guard struct {
	keys   *Keys
	policy Policy
	now    func() time.Time

	mu    sync.Mutex
	known map[string]mark   // name → what was right when last checked
	wrong map[string]offers // address → wrong secrets
}

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

// NewGuard returns a guard by these accounts.
func NewGuard(keys *Keys, policy Policy, now func() time.Time) *Guard {
	return &Guard{keys: keys, policy: policy, now: now, known: map[string]mark{}, wrong: map[string]offers{}}
}

// Admit lets in whoever comes from the address under that name.
func (g *Guard) Admit(from net.IP, name, secret string) (Pass, error) {
	accounts, read, err := g.keys.current()
	if err != nil {
		return Pass{}, err
	}
	if name == "" {
		return g.unnamed(from, accounts, read)
	}
	for _, a := range accounts {
		if a.Name == name {
			pass := a.pass()
			pass.from, pass.read = from, read
			return pass, g.check(from.String(), &a, secret)
		}
	}
	// An unknown name takes as long as a known one.
	return Pass{}, g.check(from.String(), &Account{Name: name, Hash: nobody}, secret)
}

// unnamed lets in whoever says no name.
func (g *Guard) unnamed(from net.IP, accounts []Account, read uint64) (Pass, error) {
	none := len(accounts) == 0
	if from.IsLoopback() && (none || g.policy.Loopback) || none && g.policy.Open {
		return Pass{Role: Writer, from: from, read: read}, nil
	}
	return Pass{}, ErrWho
}

// Holds returns the pass as the accounts now are, or ErrGone when what it was
// given for is no more: its account was removed, or has another secret. Whoever
// lets somebody do more than one thing asks before each.
func (g *Guard) Holds(p Pass) (Pass, error) {
	accounts, read, err := g.keys.current()
	if err != nil || read == p.read {
		return p, err
	}
	if p.Name == "" {
		return g.unnamed(p.from, accounts, read)
	}
	for _, a := range accounts {
		if a.Name == p.Name && a.Hash == p.key {
			now := a.pass()
			now.from, now.read = p.from, read
			return now, nil
		}
	}
	return Pass{}, ErrGone
}

// nobody is the hash of a secret that was thrown away.
const nobody = "$2a$04$bmMmOQ8ifdmQxxM0uO3zb.fzwBdljf/9rV2K1MZ253eYVIzlaqpbm"

// check compares the secret. One that was right before is known again at once,
// also while others behind the same address try theirs.
func (g *Guard) check(from string, a *Account, secret string) error {
	offered := mark(sha256.Sum256([]byte(a.Hash + "\x00" + secret)))
	g.mu.Lock()
	right, seen := g.known[a.Name]
	held := g.held(from)
	g.mu.Unlock()
	switch {
	case seen && subtle.ConstantTimeCompare(right[:], offered[:]) == 1:
		return nil
	case held:
		return ErrTooMany
	}
	err := bcrypt.CompareHashAndPassword([]byte(a.Hash), []byte(secret))
	g.mu.Lock()
	defer g.mu.Unlock()
	if err != nil || a.Role == "" {
		g.count(from)
		return ErrWrong
	}
	g.known[a.Name] = offered
	return nil
}

// held says whether the address has offered too many wrong secrets.
func (g *Guard) held(from string) bool {
	w, ok := g.wrong[from]
	return ok && w.n-int(g.now().Sub(w.last)/oneMore) >= mostWrong
}

// count notes one more wrong secret.
func (g *Guard) count(from string) {
	now := g.now()
	if len(g.wrong) >= mostAddresses {
		clear(g.wrong)
	}
	w := g.wrong[from]
	w.n = max(w.n-int(now.Sub(w.last)/oneMore), 0) + 1
	w.last = now
	g.wrong[from] = w
}

// MayConnect says whether the holder may use the client id: its own name. Who
// needed no name may not use anybody's. A second client with the same id ends
// the first one's connection, so an id is worth guarding.
func (g *Guard) MayConnect(p Pass, id string) error {
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
