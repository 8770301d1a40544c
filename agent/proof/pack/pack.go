// Package pack seals files into one signed ZIP archive and checks such an archive
// anywhere, without a store and without a network.
//
// An archive has manifest.json, which holds the size and the SHA-256 of every other file
// and says whose it is; manifest.sig, the Ed25519 signature (RFC 8032) over the bytes of
// manifest.json; and, if a time-stamp server was set, manifest.tsr, its RFC 3161 token
// over the bytes of manifest.sig. The same manifest and files make the same bytes, but
// for the token.
package pack

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"arcdrift/agent/storekey"
)

// The files around those that the manifest lists.
const (
	ManifestName  = "manifest.json"
	SignatureName = "manifest.sig"
	StampName     = "manifest.tsr"
	// KeysName is the list of the store's public keys. The manifest lists it.
	KeysName = "keys.jsonl"
)

// Format is the version of the archive's form.
const Format = "arcdrift proof 1"

// Manifest says what is in a pack and whose it is. Its JSON form is fixed.
type Manifest struct {
	Format string `json:"format"`
	// Job is the job that the pack is about, or Machine the machine, From and To the
	// time it was asked about.
	Job     string     `json:"job"`
	Machine string     `json:"machine"`
	From    *time.Time `json:"from"`
	To      *time.Time `json:"to"`
	// KnownAt is the moment up to which what had arrived counts.
	KnownAt  time.Time `json:"known_at"`
	Software Software  `json:"software"`
	// Store names the store, Key is the public key that signs, in hexadecimal.
	Store string `json:"store"`
	Key   string `json:"key"`
	// Heads are where the chains of the machines stood at KnownAt.
	Heads []Head `json:"heads"`
	Parts []Sum  `json:"parts"`
}

// Software is the program that made a pack. The model is part of it.
type Software struct {
	Name     string `json:"name"`
	Version  string `json:"version"`
	Revision string `json:"revision"`
}

// Head is where the chain of a machine's records stood.
type Head struct {
	Machine string `json:"machine"`
	Entries uint64 `json:"entries"`
	Epoch   uint64 `json:"store_epoch"`
	Seq     uint64 `json:"store_seq"`
	Chain   string `json:"chain"`
}

// Sum is one file as it was sealed.
type Sum struct {
	Name   string `json:"name"`
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Signer signs with the store's key.
type Signer interface {
	Sign(message []byte) []byte
	Public() ed25519.PublicKey
	Keys() []storekey.Key
}

// Seal lists the parts in the manifest, signs that and returns the archive. stamp, if not
// nil, returns a time-stamp token for the signature.
func Seal(m Manifest, parts []Part, signer Signer, stamp func(signature []byte) ([]byte, error)) ([]byte, error) {
	keys, err := storekey.List(signer.Keys())
	if err != nil {
		return nil, err
	}
	parts = append(parts[:len(parts):len(parts)], Part{KeysName, keys})
	m.Format, m.KnownAt, m.Key, m.Parts = Format, m.KnownAt.UTC(), hex.EncodeToString(signer.Public()), nil
	size := 0
	for _, p := range parts {
		m.Parts = append(m.Parts, sumOf(p))
		size += len(p.Content)
	}
	if size > most/2 {
		return nil, fmt.Errorf("the pack would have more than %d bytes: ask about a shorter time", most/2)
	}
	raw, err := json.MarshalIndent(&m, "", " ")
	if err != nil {
		return nil, err
	}
	raw = append(raw, '\n')
	signature := []byte(hex.EncodeToString(signer.Sign(raw)) + "\n")
	sealed := append([]Part{{ManifestName, raw}, {SignatureName, signature}}, parts...)
	if stamp != nil {
		token, err := stamp(signature)
		if err != nil {
			return nil, err
		}
		sealed = append(sealed, Part{StampName, token})
	}
	return zipped(sealed, m.KnownAt), nil
}

func sumOf(p Part) Sum {
	sum := sha256.Sum256(p.Content)
	return Sum{p.Name, len(p.Content), hex.EncodeToString(sum[:])}
}

// Finding is the verdict on a pack.
type Finding struct {
	Manifest Manifest
	// Fingerprint is that of the key that signed it.
	Fingerprint string
	// Keys are the store's public keys by the pack, oldest first.
	Keys []storekey.Key
	// Stamp is the time stamp, nil without one.
	Stamp *Stamp
	// Wrong are sentences on what is not as it was signed. A pack without any is sound.
	Wrong []string
}

func (f *Finding) wrong(format string, args ...any) {
	f.Wrong = append(f.Wrong, fmt.Sprintf(format, args...))
}

// Check checks an archive. An error means that nothing can be said of it: it is not a
// pack, or its manifest is gone.
func Check(raw []byte) (*Finding, map[string][]byte, error) {
	parts, err := unzipped(raw)
	if err != nil {
		return nil, nil, err
	}
	f := &Finding{}
	files := map[string][]byte{}
	for _, p := range parts {
		if _, twice := files[p.Name]; twice {
			f.wrong("%s is in the pack twice.", p.Name)
		}
		files[p.Name] = p.Content
	}
	manifest, found := files[ManifestName]
	if !found {
		return nil, nil, fmt.Errorf("this is not a pack of proof: it has no %s", ManifestName)
	}
	f.signed(manifest, files[SignatureName])
	if len(f.Wrong) == 0 { // else what it says is not what was signed
		f.listed(files)
		f.succession(files[KeysName])
		f.stamped(files)
	}
	if len(f.Wrong) == 0 && !bytes.Equal(zipped(parts, f.Manifest.KnownAt), raw) {
		f.wrong("The archive around the files was changed. The files themselves are as they were signed.")
	}
	return f, files, nil
}

// signed checks the manifest's signature by the key that it names.
func (f *Finding) signed(manifest, signature []byte) {
	changed := fmt.Sprintf("%s or %s was changed: the signature does not fit. Nothing in the pack can be relied on.", ManifestName, SignatureName)
	if err := json.Unmarshal(manifest, &f.Manifest); err != nil {
		f.wrong("%s", changed)
		return
	}
	m := &f.Manifest
	if m.Format != Format {
		f.wrong("The pack has the form %q, and this version checks %q only: check it with a newer version.", m.Format, Format)
		return
	}
	public, err := hex.DecodeString(m.Key)
	text, ended := strings.CutSuffix(string(signature), "\n")
	given, sigErr := hex.DecodeString(text)
	if err != nil || sigErr != nil || !ended || text != hex.EncodeToString(given) || len(public) != ed25519.PublicKeySize || !ed25519.Verify(public, manifest, given) {
		f.wrong("%s", changed)
		return
	}
	f.Fingerprint = storekey.Fingerprint(public)
}

// listed holds the files against the manifest.
func (f *Finding) listed(files map[string][]byte) {
	listed := map[string]bool{ManifestName: true, SignatureName: true, StampName: true}
	for _, sum := range f.Manifest.Parts {
		listed[sum.Name] = true
		content, there := files[sum.Name]
		switch is := sumOf(Part{sum.Name, content}); {
		case !there:
			f.wrong("%s is missing: it was taken out after the pack was signed.", sum.Name)
		case is.Bytes != sum.Bytes:
			f.wrong("%s was changed after the pack was signed: it has %d bytes and had %d.", sum.Name, is.Bytes, sum.Bytes)
		case is.SHA256 != sum.SHA256:
			f.wrong("%s was changed after the pack was signed: its SHA-256 is not the one in the manifest.", sum.Name)
		}
	}
	for name := range files {
		if !listed[name] {
			f.wrong("%s was put in after the pack was signed.", name)
		}
	}
}

// succession reads the store's keys and checks that each planned one was signed by the
// one before it.
func (f *Finding) succession(list []byte) {
	for line := range bytes.Lines(list) {
		var k storekey.Key
		if err := json.Unmarshal(line, &k); err != nil {
			f.wrong("%s cannot be read.", KeysName)
			return
		}
		f.Keys = append(f.Keys, k)
		if k.Because == storekey.Planned && !k.Follows() {
			f.wrong("%s says that the key %s follows the one before it, and the signature for that does not fit.", KeysName, k.Fingerprint())
		}
	}
	if n := len(f.Keys); n == 0 || f.Keys[n-1].Public != f.Manifest.Key {
		f.wrong("The key that signed the pack is not the last in %s.", KeysName)
	}
}

// SignedBy says whether the key with these digits, see [Digits], stands behind the pack:
// it signed it, or it signed, directly or through others, the key that did. A key after
// which the store's key was lost or stolen stands behind nothing later.
func (f *Finding) SignedBy(digits string) bool {
	for i := len(f.Keys) - 1; i >= 0; i-- {
		k := f.Keys[i]
		if digits == k.Public || digits == strings.ReplaceAll(k.Fingerprint(), " ", "") {
			return true
		}
		if i == 0 || !k.Follows() || k.After != f.Keys[i-1].Public {
			return false
		}
	}
	return false
}

// Digits are those of a fingerprint or a public key as somebody typed it, with spaces,
// colons or hyphens between them or without.
func Digits(typed string) (string, error) {
	text := strings.ToLower(strings.NewReplacer(" ", "", ":", "", "-", "").Replace(strings.TrimSpace(typed)))
	if _, err := hex.DecodeString(text); err != nil || len(text) != 32 && len(text) != 64 {
		return "", fmt.Errorf("%q is not a fingerprint: that has 32 digits 0-9 and a-f, in eight groups of four", typed)
	}
	return text, nil
}
