// Package storekey holds the Ed25519 key by which a store signs what it gives to
// others, and the public keys that it had before.
//
// Two files lie beside the store. FILE.key is the private key in PKCS #8 PEM
// (RFC 5958, RFC 8410), readable by its owner only. FILE.keys lists all public keys,
// oldest first, one JSON object per line; it holds no secret. Neither is part of a
// backup of the store: whoever has the private key can sign in the store's name, so
// that it is backed up apart, by [Ring.Backup].
//
// A key that is replaced as planned signs the one that follows it ([Key.Vouched]).
// Whoever knows the fingerprint of the old key can then follow to the new one. After a
// loss or a theft there is no such signature: the new fingerprint has to be given to
// customers by another way.
package storekey

import (
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// Reason says why a key was made.
type Reason string

// The reasons.
const (
	First   Reason = "first"   // the store had none
	Planned Reason = "planned" // the one before was replaced in time and signed this one
	Lost    Reason = "lost"    // the one before is gone
	Stolen  Reason = "stolen"  // the one before may be in other hands
)

// Key is one public key of the store.
type Key struct {
	// Public is the key, 32 bytes in hexadecimal.
	Public string    `json:"key"`
	Made   time.Time `json:"made"`
	// Because is why it was made: of [Lost] and [Stolen] it says what became of the
	// one before.
	Because Reason `json:"because"`
	// After is the public key before it, "" of the first.
	After string `json:"after"`
	// Vouched is the signature of the key before over [Key.Succession], in
	// hexadecimal, "" where there is none.
	Vouched string `json:"vouched"`
}

// Succession is what the key before signs: three lines that name both keys.
func (k Key) Succession() []byte {
	return fmt.Appendf(nil, "arcdrift key succession\nold %s\nnew %s\nmade %s\n", k.After, k.Public, k.Made.UTC().Format(time.RFC3339))
}

// Follows says whether the key before has signed this one.
func (k Key) Follows() bool {
	old, errOld := hex.DecodeString(k.After)
	signature, err := hex.DecodeString(k.Vouched)
	return errOld == nil && err == nil && len(old) == ed25519.PublicKeySize && ed25519.Verify(old, k.Succession(), signature)
}

// Fingerprint is the first half of the SHA-256 of a public key, as people compare it:
// eight groups of four digits.
func Fingerprint(public ed25519.PublicKey) string {
	sum := sha256.Sum256(public)
	digits := hex.EncodeToString(sum[:16])
	groups := make([]string, 0, 8)
	for i := 0; i < len(digits); i += 4 {
		groups = append(groups, digits[i:i+4])
	}
	return strings.Join(groups, " ")
}

// Fingerprint is that of the key.
func (k Key) Fingerprint() string {
	public, err := hex.DecodeString(k.Public)
	if err != nil {
		return "unreadable"
	}
	return Fingerprint(public)
}

// Ring is the store's key with the public keys it had before.
type Ring struct {
	path    string
	private ed25519.PrivateKey
	keys    []Key
}

// ErrLost says that the store had a key and has it no more.
var ErrLost = errors.New("the private key is gone")

// Path is where the private key of the store at db lies.
func Path(db string) string { return db + ".key" }

func listPath(path string) string { return path + "s" }

// Open reads the private key at path and the list beside it, and makes both when
// there are none. An error wraps [ErrLost] when there is a list without a key.
func Open(path string, now time.Time) (*Ring, error) {
	r := &Ring{path: path}
	var err error
	if r.keys, err = readList(listPath(path)); err != nil {
		return nil, err
	}
	if err := r.finish(); err != nil {
		return nil, err
	}
	raw, err := os.ReadFile(path)
	gone := errors.Is(err, fs.ErrNotExist)
	if err != nil && !gone {
		return nil, fmt.Errorf("the store's key cannot be read: %w", err)
	}
	switch {
	case gone && len(r.keys) > 0:
		return r, fmt.Errorf("%w: there is no %s, and the store had a key with the fingerprint %s. Bring the key's backup back with \"proof key restore\", or begin a new key with \"proof key rotate --because lost\"", ErrLost, path, r.Current().Fingerprint())
	case gone:
		return r, r.begin(First, now)
	}
	return r, r.load(raw, now)
}

// Known reads the list of public keys beside the private key at path, without it.
func Known(path string) ([]Key, error) { return readList(listPath(path)) }

// load takes the private key that was read. Without a list it begins one: the key was
// brought by hand.
func (r *Ring) load(raw []byte, now time.Time) error {
	private, err := parse(raw)
	if err != nil {
		return fmt.Errorf("%s is not the key of a store: %w", r.path, err)
	}
	r.private = private
	public := hex.EncodeToString(r.Public())
	if len(r.keys) == 0 {
		r.keys = []Key{{Public: public, Made: now.UTC().Truncate(time.Second), Because: First}}
		return r.writeList()
	}
	if current := r.Current(); current.Public != public {
		return fmt.Errorf("%s is not the store's key: it has the fingerprint %s, and the store's key has %s. Put the store's own key there, or replace it with \"proof key rotate\"", r.path, Fingerprint(r.Public()), current.Fingerprint())
	}
	return nil
}

func parse(raw []byte) (ed25519.PrivateKey, error) {
	block, _ := pem.Decode(raw)
	if block == nil || block.Type != "PRIVATE KEY" {
		return nil, errors.New("it holds no PEM block PRIVATE KEY")
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, errors.New("its PEM block cannot be read")
	}
	private, ok := key.(ed25519.PrivateKey)
	if !ok {
		return nil, errors.New("it is not an Ed25519 key")
	}
	return private, nil
}

// Current is the key in use, the last of the list.
func (r *Ring) Current() Key { return r.keys[len(r.keys)-1] }

// Keys are all public keys, oldest first.
func (r *Ring) Keys() []Key { return append([]Key(nil), r.keys...) }

// Public is the public key in use.
func (r *Ring) Public() ed25519.PublicKey { return r.private.Public().(ed25519.PublicKey) }

// Sign signs a message with the key in use.
func (r *Ring) Sign(message []byte) []byte { return ed25519.Sign(r.private, message) }

// Replace makes a new key. If it is [Planned] the old one signs it; the old private
// key is then gone, its public key stays in the list.
func (r *Ring) Replace(because Reason, now time.Time) error { return r.begin(because, now) }

// begin makes a key. It is written beside the old one, listed, and then put in its
// place: whatever a power cut leaves, [Ring.finish] goes on with or forgets.
func (r *Ring) begin(because Reason, now time.Time) error {
	_, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		return fmt.Errorf("no key could be made: %w", err)
	}
	k := Key{Public: hex.EncodeToString(private.Public().(ed25519.PublicKey)), Made: now.UTC().Truncate(time.Second), Because: because}
	if len(r.keys) > 0 {
		k.After = r.Current().Public
	}
	if because == Planned {
		k.Vouched = hex.EncodeToString(r.Sign(k.Succession()))
	}
	der, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return err
	}
	r.keys = append(r.keys, k)
	r.private = private
	if err := writeOwn(nextPath(r.path), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})); err != nil {
		return err
	}
	if err := r.writeList(); err != nil {
		return err
	}
	return r.finish()
}

// nextPath is where a new key waits until it is listed.
func nextPath(path string) string { return path + ".next" }

// finish puts a new key that is listed in its place, and removes one that is not:
// nothing was ever signed with it.
func (r *Ring) finish() error {
	next := nextPath(r.path)
	raw, err := os.ReadFile(next)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("the store's new key cannot be read: %w", err)
	}
	private, err := parse(raw)
	if err == nil && len(r.keys) > 0 && r.Current().Public == hex.EncodeToString(private.Public().(ed25519.PublicKey)) {
		err = os.Rename(next, r.path)
	} else {
		err = os.Remove(next)
	}
	if err != nil {
		return fmt.Errorf("the store's new key cannot be put in its place: %w", err)
	}
	return syncDir(r.path)
}

func readList(path string) ([]Key, error) {
	raw, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("the list of the store's keys cannot be read: %w", err)
	}
	keys, err := parseList(raw)
	if err != nil {
		return nil, fmt.Errorf("the list of the store's keys %s cannot be read: %w", path, err)
	}
	return keys, nil
}

func parseList(raw []byte) ([]Key, error) {
	var keys []Key
	n := 0
	for line := range strings.Lines(string(raw)) {
		n++
		var k Key
		if err := json.Unmarshal([]byte(line), &k); err != nil {
			return nil, fmt.Errorf("line %d is not a key", n)
		}
		if public, err := hex.DecodeString(k.Public); err != nil || len(public) != ed25519.PublicKeySize {
			return nil, fmt.Errorf("line %d holds no public key", n)
		}
		keys = append(keys, k)
	}
	return keys, nil
}

// List are keys as one JSON object per line.
func List(keys []Key) ([]byte, error) {
	var out []byte
	for i := range keys {
		line, err := json.Marshal(&keys[i])
		if err != nil {
			return nil, err
		}
		out = append(append(out, line...), '\n')
	}
	return out, nil
}

func (r *Ring) writeList() error {
	raw, err := List(r.keys)
	if err != nil {
		return err
	}
	return writeOwn(listPath(r.path), raw)
}

// writeOwn writes a file for its owner's eyes only, so that a power cut leaves the old
// or the new one.
func writeOwn(path string, content []byte) error {
	fresh := path + ".new"
	f, err := os.OpenFile(fresh, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("the store's key cannot be written: %w", err)
	}
	_, err = f.Write(content)
	err = errors.Join(err, f.Chmod(0o600), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(fresh, path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("the store's key cannot be written: %w", err), os.Remove(fresh))
	}
	return syncDir(path)
}

// syncDir makes the name of a file durable. Windows does so by itself and cannot be
// asked to.
func syncDir(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
