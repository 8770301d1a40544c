package pack_test

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/proof/pack"
	"arcdrift/agent/storekey"
)

var now = time.Date(2026, 3, 20, 16, 30, 5, 0, time.UTC)

func ring(t *testing.T) *storekey.Ring {
	t.Helper()
	r, err := storekey.Open(filepath.Join(t.TempDir(), "store.key"), now)
	require.NoError(t, err)
	return r
}

func parts() []pack.Part {
	return []pack.Part{{Name: "document.html", Content: []byte("<p>212 splices</p>")}, {Name: "data/records.jsonl", Content: []byte(strings.Repeat("{}\n", 400))}}
}

func sealed(t *testing.T, signer pack.Signer) []byte {
	t.Helper()
	raw, err := pack.Seal(pack.Manifest{Job: "J-114", KnownAt: now, Store: "S", Heads: []pack.Head{}}, parts(), signer, nil)
	require.NoError(t, err)
	return raw
}

// debianPython is the one that python3-cryptography is for.
const debianPython = "/usr/bin/python3"

// wrong is what both checkers say of a pack; they must agree on whether it is sound.
func wrong(t *testing.T, raw []byte, key string) []string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "pack.zip")
	require.NoError(t, os.WriteFile(file, raw, 0o600))
	cmd := exec.Command(debianPython, filepath.Join("..", "..", "..", "testdata", "proof", "check_pack.py"), file)
	if key != "" {
		cmd.Args = append(cmd.Args, key)
	}
	out, err := cmd.CombinedOutput()
	sound := err == nil
	require.NotContains(t, string(out), "Traceback")
	found, _, err := pack.Check(raw)
	if err != nil {
		assert.False(t, sound, "python takes what Go does not: %v", err)
		return []string{err.Error()}
	}
	said := found.Wrong
	if digits := strings.ReplaceAll(key, " ", ""); key != "" && len(said) == 0 && !found.SignedBy(digits) {
		said = append(said, "another key")
	}
	assert.Equal(t, len(said) == 0, sound, "Go: %q, python: %s", said, out)
	return said
}

func TestASoundPackIsSound(t *testing.T) {
	t.Parallel()
	key := ring(t)
	raw := sealed(t, key)
	assert.Equal(t, raw, sealed(t, key), "the same files make the same bytes")
	assert.Empty(t, wrong(t, raw, key.Current().Fingerprint()))
	found, files, err := pack.Check(raw)
	require.NoError(t, err)
	assert.Equal(t, key.Current().Fingerprint(), found.Fingerprint)
	assert.Equal(t, "J-114", found.Manifest.Job)
	assert.Equal(t, parts()[0].Content, files["document.html"])
	out, err := exec.Command(debianPython, "-c", "import sys, zipfile; zipfile.ZipFile(sys.argv[1]).testzip() and sys.exit(1)", written(t, raw)).CombinedOutput()
	assert.NoError(t, err, "an ordinary reader takes it: %s", out)
}

func written(t *testing.T, raw []byte) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "pack.zip")
	require.NoError(t, os.WriteFile(file, raw, 0o600))
	return file
}

// Every single byte that is edited is found by Go; a sample also by the second checker.
func TestAnEditedByteIsFound(t *testing.T) {
	t.Parallel()
	raw := sealed(t, ring(t))
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range raw {
		edited := bytes.Clone(raw)
		edited[i] ^= byte(1 + rng.IntN(255))
		found, _, err := pack.Check(edited)
		require.True(t, err != nil || len(found.Wrong) > 0, "byte %d of %d", i, len(raw))
	}
	for range 20 {
		edited := bytes.Clone(raw)
		edited[rng.IntN(len(raw))] ^= byte(1 + rng.IntN(255))
		assert.NotEmpty(t, wrong(t, edited, ""))
	}
}

func TestWhatWasChangedIsNamed(t *testing.T) {
	t.Parallel()
	raw := sealed(t, ring(t))
	for what, edit := range map[string][2]string{
		"document.html was changed":                   {"212 splices", "213 splices"},
		"manifest.json or manifest.sig was changed":   {`"job": "J-114"`, `"job": "J-115"`},
		"data/records.jsonl was changed":              {"{}\n{}\n", "{}\n[]\n"},
		"document.html is missing":                    {"document.html", "document.htm_"},
		"document.htm_ was put in":                    {"document.html", "document.htm_"},
		"this is not a pack of proof: it has no mani": {"manifest.json", "manifest_json"},
	} {
		edited := raw
		if strings.HasPrefix(edit[0], "document") || strings.HasPrefix(edit[0], "manifest_") || edit[0] == "manifest.json" {
			edited = renamed(raw, edit[0], edit[1])
		} else {
			edited = bytes.Replace(raw, []byte(edit[0]), []byte(edit[1]), 1)
		}
		require.NotEqual(t, raw, edited, what)
		assert.Contains(t, strings.Join(wrong(t, edited, ""), " "), what)
	}
}

// renamed renames a file of the archive: in its head and in the directory, not where the
// manifest names it.
func renamed(raw []byte, from, to string) []byte {
	last := bytes.LastIndex(raw, []byte(from))
	first := bytes.Index(raw, append([]byte{byte(len(from)), 0, 0, 0}, from...))
	out := bytes.Clone(raw)
	copy(out[last:], to)
	copy(out[first+4:], to)
	return out
}

func TestAPackCutShortIsNamed(t *testing.T) {
	t.Parallel()
	raw := sealed(t, ring(t))
	for _, n := range []int{len(raw) - 1, len(raw) / 2, 40} {
		_, _, err := pack.Check(raw[:n])
		require.ErrorContains(t, err, "cut short")
		wrong(t, raw[:n], "")
	}
	_, _, err := pack.Check([]byte("%PDF-1.7"))
	assert.ErrorContains(t, err, "not a pack")
	_, _, err = pack.Check(nil)
	assert.ErrorContains(t, err, "not a pack")
}

func TestTheKeyIsHeldAgainstTheOneThatIsExpected(t *testing.T) {
	t.Parallel()
	key, other := ring(t), ring(t)
	old := key.Current().Fingerprint()
	assert.Equal(t, []string{"another key"}, wrong(t, sealed(t, key), other.Current().Fingerprint()))
	require.NoError(t, key.Replace(storekey.Planned, now))
	assert.Empty(t, wrong(t, sealed(t, key), old), "the old key vouches for the new one")
	require.NoError(t, key.Replace(storekey.Stolen, now))
	assert.Equal(t, []string{"another key"}, wrong(t, sealed(t, key), old), "a stolen key vouches for nothing")
	assert.Empty(t, wrong(t, sealed(t, key), key.Current().Fingerprint()))
}

// forger claims to follow the store's key.
type forger struct {
	*storekey.Ring
	list []storekey.Key
}

func (f forger) Keys() []storekey.Key { return f.list }

func TestAForgedSuccessionIsFound(t *testing.T) {
	t.Parallel()
	ours, theirs := ring(t), ring(t)
	k := theirs.Current()
	k.Because, k.After = storekey.Planned, ours.Current().Public
	k.Vouched = hex.EncodeToString(theirs.Sign(k.Succession()))
	said := wrong(t, sealed(t, forger{theirs, []storekey.Key{ours.Current(), k}}), ours.Current().Fingerprint())
	assert.Contains(t, strings.Join(said, " "), "the signature for that does not fit")
}

func TestFingerprintsAsPeopleTypeThem(t *testing.T) {
	t.Parallel()
	public := ed25519.PublicKey(bytes.Repeat([]byte{7}, 32))
	print := storekey.Fingerprint(public)
	for _, typed := range []string{print, strings.ToUpper(print), strings.ReplaceAll(print, " ", ":"), " " + strings.ReplaceAll(print, " ", "")} {
		digits, err := pack.Digits(typed)
		require.NoError(t, err)
		assert.Equal(t, strings.ReplaceAll(print, " ", ""), digits)
	}
	for _, typed := range []string{"", "21fe", print + "0", "the key of the store, I think"} {
		_, err := pack.Digits(typed)
		assert.ErrorContains(t, err, "is not a fingerprint")
	}
}
