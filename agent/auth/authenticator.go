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

// Why a client was not admitted. The client is told no more than this.
var (
	ErrWho     = errors.New("a name and its secret are required")
	ErrWrong   = errors.New("the name or the secret is wrong")
	ErrTooMany = errors.New("the name or the secret is wrong, and there were too many wrong ones from this address: wait a minute")
	ErrGone    = errors.New("the account was removed, or has a new secret")
	ErrID      = errors.New("the client id must be the name of the account")
)

// How many wrong secrets in a row are checked without delay, for one account from one
// address and from one address in all, and how long until one more is. Secrets have 128
// random bits: the limits protect the processor, not the secrets. The right secret is
// admitted whatever others have sent.
const (
	maxFailures     = 10
	maxFailuresHere = 100
	failureEvery    = 6 * time.Second
	// mostRemembered bounds how many sources are remembered.
	mostRemembered = 4096
)

// Authenticator authenticates clients. It may be used by several goroutines.
type Authenticator struct {
	keys   *Keys
	policy Policy
	now    func() time.Time

	assignments Assignments // nil without limited accounts

	slow  sync.Mutex // held while the secret of a throttled source is checked
	mu    sync.Mutex
	known map[string]mark // hash → the secret that matched it last
	wrong map[source]failures
	used  map[string]time.Time // when each account was last used; nil until read
}

// source is where a secret comes from: the account's name, "" for all, and the address.
type source struct{ name, from string }

// mark is a digest of a hash and the secret that matches it.
type mark [sha256.Size]byte

// failures counts wrong secrets; one is forgotten every failureEvery.
type failures struct {
	n    int
	last time.Time
}

// Policy says who needs no account. With the zero value, clients on this computer need
// none while there is no account; once there is one, everybody needs one.
type Policy struct {
	// Open: while there is no account, every client may do everything from anywhere.
	Open bool
	// Loopback: clients on this computer never need an account. A proxy or a tunnel on
	// it then admits everybody.
	Loopback bool
}

// NewAuthenticator returns an authenticator for these accounts. now is the wall clock.
func NewAuthenticator(keys *Keys, policy Policy, now func() time.Time) *Authenticator {
	return &Authenticator{keys: keys, policy: policy, now: now, known: map[string]mark{}, wrong: map[source]failures{}}
}

// Authenticate returns the principal of a client at an address with this name and
// secret, or the error that the client is told.
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
	g.noteUse(name)
	for _, a := range accounts {
		if a.Name == name {
			return g.principal(&a, from, hash, read), nil
		}
	}
	return Principal{}, ErrWrong
}

// principal is the principal of a client whose secret matched that hash.
func (g *Authenticator) principal(a *Account, from net.IP, hash string, read uint64) Principal {
	p := a.principal(from, hash, read)
	p.assignments = g.assignments
	return p
}

// unnamed is the principal of a client without a name.
func (g *Authenticator) unnamed(from net.IP, accounts []Account, read uint64) (Principal, error) {
	none := len(accounts) == 0
	if from.IsLoopback() && (none || g.policy.Loopback) || none && g.policy.Open {
		return Principal{Role: Manager, from: from, read: read}, nil
	}
	return Principal{}, ErrWho
}

// Resume returns the principal of a client that was authenticated before and still has
// its principal's mark. The error is ErrGone if the account was removed or has a new
// secret.
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
			if p := g.principal(&a, from, hash, read); subtle.ConstantTimeCompare([]byte(p.Mark()), []byte(mark)) == 1 {
				g.noteUse(name)
				return p, nil
			}
		}
	}
	return Principal{}, ErrGone
}

// Refresh returns the principal as the accounts now are, or ErrGone if its account was
// removed or has a new secret. Call it before each action of a long connection.
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
			return g.principal(&a, p.from, p.key, read), nil
		}
	}
	return Principal{}, ErrGone
}

// nobody is the hash of a secret that nobody knows.
const nobody = "$2a$04$bmMmOQ8ifdmQxxM0uO3zb.fzwBdljf/9rV2K1MZ253eYVIzlaqpbm"

// check returns the hash that the secret matches. A secret that was right before is
// recognised at once. Secrets of a throttled source are checked one after the other. A
// name without hashes takes as long as one with.
func (g *Authenticator) check(from, name string, hashes []string, secret string) (hash string, err error) {
	own, all := source{name, from}, source{"", from}
	offered := func(hash string) mark { return sha256.Sum256([]byte(hash + "\x00" + secret)) }
	g.mu.Lock()
	held := g.throttled(own, maxFailures) || g.throttled(all, maxFailuresHere)
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
		_ = bcrypt.CompareHashAndPassword([]byte(nobody), []byte(secret)) // only to take as long
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
	g.countFailure(own)
	g.countFailure(all)
	return "", ErrWrong
}

// throttled says whether there were at least most wrong secrets lately.
func (g *Authenticator) throttled(who source, most int) bool {
	w, ok := g.wrong[who]
	return ok && w.n-int(g.now().Sub(w.last)/failureEvery) >= most
}

// countFailure counts one more wrong secret.
func (g *Authenticator) countFailure(who source) {
	now := g.now()
	if len(g.wrong) >= mostRemembered {
		maps.DeleteFunc(g.wrong, func(_ source, w failures) bool { return w.n <= int(now.Sub(w.last)/failureEvery) })
	}
	if len(g.wrong) >= mostRemembered {
		clear(g.wrong)
	}
	w := g.wrong[who]
	w.n = max(w.n-int(now.Sub(w.last)/failureEvery), 0) + 1
	w.last = now
	g.wrong[who] = w
}

// MayConnect returns ErrID if the principal may not use the MQTT client id. It may use
// its own name; without a name, any id that is no account's. A second client with the
// same id would end the connection of the first.
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
