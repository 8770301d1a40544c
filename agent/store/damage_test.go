package store_test

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.etcd.io/bbolt"

	"arcdrift/agent/faulttest"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// sample is a closed store with something in every bucket, as bytes, with its
// checkpoint.
type sample struct {
	file, checkpoint []byte
	contents         string
}

func newSample(t *testing.T) sample {
	t.Helper()
	path := dbPath(t)
	s, err := store.Open(path, storetest.Received, store.Options{})
	require.NoError(t, err)
	for at := 0; at < 200; at += 50 {
		entries := make([]drift.Entry, 50)
		for i := range entries {
			entries[i] = nth(at + i)
		}
		again := nth(at + 1)
		again.ID = entries[0].ID
		fleet := drift.Entry{Record: drift.Record{ID: fmt.Sprint("setup ", at), Type: drift.TypeSetup,
			Setup: &drift.Setup{Scope: drift.ScopeFleet, AttemptLimit: drift.Some(int64(4))}}, Received: storetest.Received()}
		_, err := s.Append(append(entries, again, fleet), []drift.Refusal{{Machine: "K-1", Raw: []byte(fmt.Sprint("{", at)),
			Problem: drift.Problem{Field: "type", Reason: "is missing"}, Time: storetest.Received(), Last: storetest.Received(), Times: 1}})
		require.NoError(t, err)
	}
	out := sample{}
	out.contents, err = contents(s)
	require.NoError(t, err)
	var used bytes.Buffer
	require.NoError(t, s.Backup(&used))
	require.NoError(t, s.Close())
	out.file, err = os.ReadFile(path)
	require.NoError(t, err)
	out.file = out.file[:used.Len()] // bbolt grows files ahead of their use
	out.checkpoint, err = os.ReadFile(path + ".witness")
	require.NoError(t, err)
	return out
}

// at writes a damaged file with the sample's checkpoint.
func (s sample) at(t *testing.T, file []byte) string {
	t.Helper()
	path := dbPath(t)
	require.NoError(t, os.WriteFile(path, file, 0o600))
	require.NoError(t, os.WriteFile(path+".witness", s.checkpoint, 0o600))
	return path
}

// corrupt is the file with one record changed, in every copy, as bbolt leaves
// older ones behind.
func (s sample) corrupt(e drift.Entry) []byte {
	out, record := bytes.Clone(s.file), e.AppendCanonical(nil)
	for at := bytes.Index(out, record); at >= 0; at = bytes.Index(out, record) {
		out[at+20] ^= 0x20
	}
	return out
}

const pageSize = 4096

// damages are ways to corrupt a file, each given its own random numbers.
func damages() map[string]struct {
	n       int
	corrupt func(*rand.Rand, []byte) []byte
} {
	page := func(r *rand.Rand, b []byte) []byte {
		i := r.IntN(len(b) / pageSize)
		return b[i*pageSize:][:pageSize]
	}
	return map[string]struct {
		n       int
		corrupt func(*rand.Rand, []byte) []byte
	}{
		"bit": {130, func(r *rand.Rand, b []byte) []byte {
			b[r.IntN(len(b))] ^= 1 << r.IntN(8)
			return b
		}},
		"page header": {16, func(r *rand.Rand, b []byte) []byte {
			page(r, b)[8+r.IntN(8)] ^= 1 << r.IntN(8)
			return b
		}},
		"zero page": {16, func(r *rand.Rand, b []byte) []byte {
			clear(page(r, b))
			return b
		}},
		"random page": {16, func(r *rand.Rand, b []byte) []byte {
			p := page(r, b)
			for i := range p {
				p[i] = byte(r.Uint32())
			}
			return b
		}},
		"cut short": {16, func(r *rand.Rand, b []byte) []byte { return b[:r.IntN(len(b))] }},
		"one meta page": {4, func(r *rand.Rand, b []byte) []byte {
			b[r.IntN(2)*pageSize+16+r.IntN(64)] ^= 1 << r.IntN(8)
			return b
		}},
		"both meta pages": {2, func(r *rand.Rand, b []byte) []byte {
			clear(b[:2*pageSize])
			return b
		}},
	}
}

// TestDamageIsReportedOrHarmless: whatever happens to the file, either someone is
// told (by a finding, by verify, by an error or by the death of the child that
// looks, which is why it is a child) or everything reads as before.
func TestDamageIsReportedOrHarmless(t *testing.T) {
	s := newSample(t)
	for name, d := range damages() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			n := faulttest.Rounds(t, d.n)
			outcomes := map[string]int{}
			for seed := range n {
				random := rand.New(rand.NewPCG(9, uint64(seed)))
				path := s.at(t, d.corrupt(random, bytes.Clone(s.file)))
				outcome := look(t, path, s.contents)
				require.NotEqual(t, "silent", outcome, "seed %d: what is read has changed and nobody is told", seed)
				outcomes[outcome]++
			}
			t.Log(outcomes)
			faulttest.Bound(t, "damaged file read without a word", n)
		})
	}
}

// look sends a child to look at a store and says how that went.
func look(t *testing.T, path, want string) string {
	t.Helper()
	c := command(t, "look", nil, path)
	var out bytes.Buffer
	c.Stdout = &out
	require.NoError(t, c.Start())
	late := time.AfterFunc(3*time.Second, func() { c.Process.Kill() })
	err := c.Wait()
	switch got := listen(&out, func() {}); {
	case err != nil && !late.Stop():
		return "hangs"
	case got.has("error"):
		return "error"
	case err != nil:
		return "dies"
	case got.has("finding"):
		return "finding"
	case got.has("damage"):
		return "verify"
	case got.has("contents " + want):
		return "harmless"
	}
	return "silent"
}

// TestDamageControl: without our own checksums many flips would go by, so the
// test above can see what they are for.
func TestDamageControl(t *testing.T) {
	s := newSample(t)
	read := func(file []byte) string {
		c := command(t, "raw", nil, s.at(t, file))
		late := time.AfterFunc(3*time.Second, func() { c.Process.Kill() })
		defer late.Stop()
		out, err := c.Output()
		if err != nil {
			return "noticed"
		}
		return string(out)
	}
	before := read(s.file)
	require.NotEqual(t, "noticed", before)
	const flips = 40
	missed := 0
	for seed := range flips {
		random := rand.New(rand.NewPCG(10, uint64(seed)))
		corrupt := bytes.Clone(s.file)
		corrupt[2*pageSize+random.IntN(len(corrupt)-2*pageSize)] ^= 1 << random.IntN(8)
		if after := read(corrupt); after != "noticed" && after != before {
			missed++
		}
	}
	require.Positive(t, missed)
	t.Logf("%d of %d flips changed what bbolt alone reads, without a word from it", missed, flips)
}

// childReadsRaw reads a file with bbolt alone.
func childReadsRaw(path string) error {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{ReadOnly: true, PreLoadFreelist: true})
	if err != nil {
		return err
	}
	h := sha256.New()
	err = db.View(func(tx *bbolt.Tx) error {
		for err := range tx.Check() {
			return err
		}
		return tx.ForEach(func(name []byte, bucket *bbolt.Bucket) error {
			return bucket.ForEach(func(k, v []byte) error {
				fmt.Fprintf(h, "%s%x%x\n", name, k, v)
				return nil
			})
		})
	})
	fmt.Printf("%x", h.Sum(nil))
	return err
}

func TestADamagedEntryIsReportedAndTheOthersAreRead(t *testing.T) {
	s := newSample(t)
	victim := nth(14) // machine K-0
	corrupt := s.corrupt(victim)
	db := open(t, s.at(t, corrupt))
	history, err := db.History("K-0")
	var damage *store.Damage
	require.ErrorAs(t, err, &damage)
	require.Equal(t, "K-0", damage.Machine)
	require.Contains(t, damage.Error(), "machine K-0, entry 1/")
	require.NotContains(t, ids(history), victim.ID)
	require.Greater(t, len(history), 25, "the sound entries are read")
	report, err := db.Verify()
	require.NoError(t, err)
	require.Equal(t, damage, report.First)
	require.Equal(t, 1, report.Wrong)

	placed, err := db.Append([]drift.Entry{victim, storetest.Calibration("K-0", 9_999)}, nil)
	require.NoError(t, err, "data go on being taken")
	require.False(t, placed[0].Duplicate, "what cannot be read cannot be a repeat")
}

func ids(entries []drift.Entry) []string {
	var out []string
	for _, e := range entries {
		out = append(out, e.ID)
	}
	return out
}

func TestGarbageGoesToQuarantineAndForeignFilesDoNot(t *testing.T) {
	garbage := bytes.Repeat([]byte("not a store\n"), 3000)
	s := newSample(t)
	path := s.at(t, garbage)
	db := open(t, path)
	require.Len(t, db.Diagnostics(), 1)
	found := db.Diagnostics()[0]
	require.Equal(t, store.FoundDamaged, found.Kind)
	kept, err := os.ReadFile(found.Kept)
	require.NoError(t, err)
	require.Equal(t, garbage, kept)
	placed, err := db.Append([]drift.Entry{nth(1)}, nil)
	require.NoError(t, err)
	require.EqualValues(t, 2, placed[0].Epoch, "numbers of the lost store are not given again")

	foreign := filepath.Join(t.TempDir(), "notes.txt")
	require.NoError(t, os.WriteFile(foreign, garbage, 0o600))
	_, err = store.Open(foreign, storetest.Received, store.Options{})
	require.ErrorIs(t, err, store.ErrForeign)
	still, err := os.ReadFile(foreign)
	require.NoError(t, err)
	require.Equal(t, garbage, still)
}
