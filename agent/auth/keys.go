package auth

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"net"
	"os"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gofrs/flock"
)

// Account is an account as it is in the file.
type Account struct {
	Name     string   `json:"name"`
	Role     Role     `json:"role"`
	Machines Machines `json:"machines,omitempty"`
	// Forwards: the device is an agent that forwards records of others, and is believed
	// when it reports when and how they came. Nil, as in accounts from before this field,
	// counts as true.
	Forwards *bool `json:"forwards,omitempty"`
	// Limit are the customers and depots whose machines it may know of.
	Limit Limit     `json:"limit,omitzero"`
	Hash  string    `json:"hash"` // bcrypt; "" while an invitation waits
	Added time.Time `json:"added"`
	// Before is the hash of the previous secret, which is valid until BeforeEnds.
	Before     string    `json:"before,omitempty"`
	BeforeEnds time.Time `json:"before_ends,omitzero"`
	// Invite is the hash of the token of an invitation, which is valid until InviteEnds.
	Invite     string    `json:"invite,omitempty"`
	InviteEnds time.Time `json:"invite_ends,omitzero"`
	// Preferences are what the pages remember for the person: units, crew.
	Preferences map[string]string `json:"preferences,omitempty"`
}

// principal is the principal of a client whose secret matched that hash.
func (a *Account) principal(from net.IP, hash string, read uint64) Principal {
	p := Principal{Name: a.Name, Role: a.Role, Machines: a.Machines, Forwards: a.Role == Device && (a.Forwards == nil || *a.Forwards), Limit: a.Limit, from: from, key: hash, read: read}
	if hash != a.Hash {
		p.ends = a.BeforeEnds
	}
	return p
}

// Keys are the accounts in a file. A change by another process is seen at the next call.
type Keys struct {
	path   string
	shared *sharing // nil where the file alone counts

	mu       sync.Mutex
	read     fs.FileInfo // the file as it was read, nil when there was none
	readings uint64      // how often other accounts were found there
	accounts []Account
}

// Open returns the accounts in the file, which need not be there.
func Open(path string) (*Keys, error) {
	k := &Keys{path: path}
	_, err := k.Accounts()
	return k, err
}

// Accounts lists them by name.
func (k *Keys) Accounts() ([]Account, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	err := k.refresh()
	return slices.Clone(k.accounts), err
}

// current returns the accounts, which the caller must not change, and the number of
// their reading: the same number means the same accounts.
func (k *Keys) current() ([]Account, uint64, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	err := k.refresh()
	return k.accounts, k.readings, err
}

// Find returns the account of that name, and whether there is one.
func (k *Keys) Find(name string) (Account, bool, error) {
	all, err := k.Accounts()
	i := slices.IndexFunc(all, func(a Account) bool { return a.Name == name })
	if i < 0 {
		return Account{}, false, err
	}
	return all[i], true, err
}

// Prefer remembers a preference of the account; "" forgets it. An account that is not there
// has none.
func (k *Keys) Prefer(name, what, value string) error {
	a, there, err := k.Find(name)
	if err != nil || !there || a.Preferences[what] == value {
		return err
	}
	return k.change(func(all []Account) ([]Account, error) {
		for i := range all {
			if all[i].Name != name {
				continue
			}
			kept := maps.Clone(all[i].Preferences)
			if kept == nil {
				kept = map[string]string{}
			}
			if kept[what] = value; value == "" {
				delete(kept, what)
			}
			all[i].Preferences = kept
		}
		return all, nil
	})
}

// refresh reads the file again if it has changed.
func (k *Keys) refresh() error {
	k.pullDue()
	info, err := os.Stat(k.path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		if k.read != nil {
			k.read, k.accounts = nil, nil
			k.readings++
		}
		return nil
	case err != nil:
		return fmt.Errorf("the accounts cannot be read: %w", err)
	case k.read != nil && os.SameFile(info, k.read) && info.ModTime().Equal(k.read.ModTime()) && info.Size() == k.read.Size():
		return nil
	case runtime.GOOS != "windows" && info.Mode().Perm()&0o077 != 0:
		return fmt.Errorf("other users can read the accounts in %s: give access to the owner only (chmod 600)", k.path)
	}
	raw, err := os.ReadFile(k.path)
	if err != nil {
		return fmt.Errorf("the accounts cannot be read: %w", err)
	}
	var accounts []Account
	if err := json.Unmarshal(raw, &accounts); err != nil {
		return fmt.Errorf("the accounts in %s cannot be read: %w", k.path, err)
	}
	for i := range accounts {
		if accounts[i].Role == writer {
			accounts[i].Role = Manager
		}
	}
	k.read, k.accounts = info, accounts
	k.readings++
	return nil
}

// namePattern matches names that can be a client id, a file name and a word in a log.
var namePattern = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)

// CheckName says what is wrong with the name of an account, or nil.
func CheckName(name string) error {
	if !namePattern.MatchString(name) {
		return fmt.Errorf("the name is %q: it must be letters, digits, dots, dashes and underscores, at most 64", name)
	}
	return nil
}

// Add makes an account and returns its secret, which is stored nowhere. It ignores the
// hash and the time in a.
func (k *Keys) Add(a Account, now time.Time) (secret string, err error) {
	if secret, a.Hash, err = newSecret(); err != nil {
		return "", err
	}
	return secret, k.add(a, now)
}

func (k *Keys) add(a Account, now time.Time) error {
	if err := CheckName(a.Name); err != nil {
		return err
	}
	return k.change(func(all []Account) ([]Account, error) {
		if slices.ContainsFunc(all, func(other Account) bool { return other.Name == a.Name }) {
			return nil, fmt.Errorf("the account %q exists already; remove it first, or give it a new secret", a.Name)
		}
		a.Added = now.UTC()
		return append(all, a), nil
	})
}

// NoAccount is the error about a name that no account has.
func NoAccount(name string) error { return fmt.Errorf("there is no account %q", name) }

// Remove removes an account.
func (k *Keys) Remove(name string) error {
	return k.change(func(all []Account) ([]Account, error) {
		left := slices.DeleteFunc(all, func(a Account) bool { return a.Name == name })
		if len(left) == len(all) {
			return nil, NoAccount(name)
		}
		return left, nil
	})
}

// change replaces the file of accounts. Changes by several processes wait for each other;
// after a power cut either the old or the new file is there.
func (k *Keys) change(f func([]Account) ([]Account, error)) (err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	// A separate file is locked, as the file of accounts is replaced each time.
	lock := flock.New(k.path+".lock", flock.SetPermissions(0o600))
	if err := lock.Lock(); err != nil {
		return fmt.Errorf("the accounts cannot be locked for a change: %w", err)
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	for {
		if done, err := k.changeOnce(f); done || err != nil {
			return err
		}
	}
}

// changeOnce changes the accounts. It returns false if a process on another computer has
// changed them meanwhile.
func (k *Keys) changeOnce(f func([]Account) ([]Account, error)) (done bool, err error) {
	var version int64
	if k.shared != nil {
		if version, err = k.pull(); err != nil {
			return false, err
		}
	}
	k.read = nil // another process may have changed it meanwhile
	if err := k.refresh(); err != nil {
		return false, err
	}
	changed, err := f(slices.Clone(k.accounts))
	if err != nil {
		return false, err
	}
	slices.SortFunc(changed, func(a, b Account) int { return strings.Compare(a.Name, b.Name) })
	raw, err := json.MarshalIndent(changed, "", "  ")
	if err != nil {
		return false, err
	}
	raw = append(raw, '\n')
	if k.shared != nil {
		if done, err := k.push(version, raw); !done || err != nil {
			return false, err
		}
	}
	if err := replaceFile(k.path, raw); err != nil {
		return false, fmt.Errorf("the accounts cannot be written: %w", err)
	}
	k.read = nil
	return true, k.refresh()
}
